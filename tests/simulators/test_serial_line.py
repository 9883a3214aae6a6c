"""One pseudo-terminal as a line: the host's speed decides what either end hears."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Iterable
from pathlib import Path

import pytest
import serial

from simulators.terminal import SerialLine
from simulators.wires.framing import parse_framing
from simulators.wires.paced_line import FrameEnd, Outgoing

PATIENCE_S = 20.0
REQUEST = b"\x01\x04\x00\x00\x00\x02\x71\xcb"
REPLY = b"\x01\x04\x04\x00\x00\x00\x00\xfb\x84"

pytestmark = pytest.mark.pty


class Meter:
    """A line at 19200 baud whose meter answers every frame with the same bytes."""

    def __init__(self, path: Path) -> None:
        self.frames: list[bytes] = []
        self._asked = asyncio.Event()
        self.line = SerialLine(
            path,
            parse_framing(19200, "8N1"),
            frame_end=FrameEnd.SILENCE,
            answer=self._answer,
        )

    def _answer(self, frame: bytes) -> Iterable[Outgoing]:
        self.frames.append(frame)
        self._asked.set()
        return [Outgoing(REPLY)]

    async def next_frame(self) -> bytes:
        async with asyncio.timeout(PATIENCE_S):
            await self._asked.wait()
        self._asked.clear()
        return self.frames[-1]


@pytest.fixture
async def meter(tmp_path: Path) -> AsyncIterator[Meter]:
    meter = Meter(tmp_path / "line")
    meter.line.plug()
    async with asyncio.TaskGroup() as tasks:
        serving = tasks.create_task(meter.line.serve())
        yield meter
        serving.cancel()
    meter.line.unplug()


async def test_at_the_lines_speed_request_and_reply_arrive_as_they_are(
    meter: Meter,
) -> None:
    with serial.Serial(str(meter.line.link), 19200, timeout=PATIENCE_S) as host:
        host.write(REQUEST)
        assert await meter.next_frame() == REQUEST
        assert await asyncio.to_thread(host.read, len(REPLY)) == REPLY


async def test_a_host_that_sets_no_speed_has_the_lines(meter: Meter) -> None:
    with contextlib.closing(meter.line.link.open("r+b", buffering=0)) as host:
        host.write(REQUEST)
        assert await meter.next_frame() == REQUEST
        assert await asyncio.to_thread(host.read, 1) == REPLY[:1]


@pytest.mark.parametrize("baud", [9600, 38400])
async def test_at_another_speed_neither_end_hears_what_the_other_said(
    meter: Meter, baud: int
) -> None:
    with serial.Serial(str(meter.line.link), baud, timeout=PATIENCE_S) as host:
        host.write(REQUEST)
        heard = await meter.next_frame()
        assert len(heard) == len(REQUEST)
        # No unit has an address above 247 (Modbus over Serial Line V1.02, 2.2).
        assert min(heard) > 247
        reply = await asyncio.to_thread(host.read, len(REPLY))
        assert min(reply) > 247
