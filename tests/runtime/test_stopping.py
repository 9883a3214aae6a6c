"""A signal asks for an orderly end whenever it comes, also before anything runs that could be ended."""

import asyncio
import os
import signal

import pytest

from daq.runtime.stopping import Stopping


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
async def test_a_signal_that_comes_while_the_service_starts_is_obeyed_once_it_runs(
    number: signal.Signals,
) -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_DFL)
    try:
        stopping = Stopping()
        with stopping.listening():
            os.kill(os.getpid(), number)
            async with asyncio.timeout(10.0):
                await stopping.asked.wait()
        assert stopping.by is number
        assert stopping.signalled.is_set()
    finally:
        signal.signal(signal.SIGHUP, before)


async def test_the_end_of_the_session_is_no_signal_and_stays_the_reason() -> None:
    stopping = Stopping()
    stopping.ask()
    with stopping.listening():
        os.kill(os.getpid(), signal.SIGTERM)
        async with asyncio.timeout(10.0):
            await stopping.signalled.wait()
    assert stopping.asked.is_set()
    assert stopping.by is None


async def test_a_hang_up_that_is_to_be_outlived_stays_ignored() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        stopping = Stopping()
        with stopping.listening():
            os.kill(os.getpid(), signal.SIGHUP)
            os.kill(os.getpid(), signal.SIGTERM)
            async with asyncio.timeout(10.0):
                await stopping.asked.wait()
            assert stopping.by is signal.SIGTERM
        assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)
