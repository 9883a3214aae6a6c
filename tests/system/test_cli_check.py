"""The command line and its instruments: what `daq check` says of them."""

import os
import tty
from collections.abc import Callable
from fcntl import LOCK_EX, LOCK_NB, flock
from pathlib import Path

import pytest

from tests.system.command_line import Daq
from tests.system.conftest import Simulator


def test_an_absent_port_is_told_by_check(run: Daq, folder: Path) -> None:
    told = run("check", folder / "bench.toml", "--seconds", "0.1")
    assert (told.code, told.err) == (3, "")
    port = folder / "ports" / "meter"
    assert told.out.count(f"! port {port}: nothing is there, plug the adapter in") == 2
    assert told.out.endswith("\nNot in order: meter, other.\n")


@pytest.mark.pty
def test_a_port_that_another_program_holds_is_told_by_check(
    run: Daq, folder: Path
) -> None:
    far, near = os.openpty()
    tty.setraw(near)
    (folder / "ports").mkdir()
    (folder / "ports" / "meter").symlink_to(os.ttyname(near))
    # As any program that opens a line for itself alone.
    flock(near, LOCK_EX | LOCK_NB)
    told = run("check", folder / "bench.toml", "--seconds", "0.1")
    os.close(far)
    os.close(near)
    assert told.code == 3
    assert "meter: another program holds it, close that program" in told.out


@pytest.mark.pty
@pytest.mark.slow
def test_a_wrong_baud_rate_is_guessed_at_by_check(
    run: Daq, folder: Path, wrong_baud: Callable[[Path], None]
) -> None:
    wrong_baud(folder / "ports" / "meter")
    told = run("check", folder / "bench.toml", "--seconds", "0.5")
    assert told.code == 3
    complaints = [line for line in told.out.splitlines() if line.startswith("  ! ")]
    assert len(complaints) == 2
    for complaint in complaints:
        assert "baud rate" in complaint


@pytest.mark.pty
@pytest.mark.slow
def test_check_shows_every_channel_of_meters_that_answer(
    run: Daq,
    scenario: Callable[[str], Path],
    simulate: Callable[..., Simulator],
) -> None:
    folder = scenario("leads")
    simulate(folder)
    told = run("check", folder / "bench.toml", "--seconds", "1.5")
    assert (told.code, told.err) == (0, "")
    assert told.out.endswith("\nEvery meter answers.\n")
    for shown in ("supply_voltage", "machine_voltage", "current", "power", "velocity"):
        assert f"\n  {shown} " in told.out
    # 230 V in the simulation's file.
    (line,) = [x for x in told.out.splitlines() if x.startswith("  supply_voltage")]
    assert float(line.split()[1]) == pytest.approx(230, abs=2)
    assert "0.3 % of reading + 1 counts of 0.1" in line


@pytest.mark.pty
@pytest.mark.slow
def test_check_names_the_one_meter_that_is_silent(
    run: Daq,
    scenario: Callable[[str], Path],
    simulate: Callable[..., Simulator],
) -> None:
    folder = scenario("leads")
    simulate(folder).type("fault mains-machine-end silent")
    told = run("check", folder / "bench.toml", "--seconds", "1.5")
    assert told.code == 3
    assert told.out.endswith("\nNot in order: meter-machine-end.\n")
    assert told.out.count("  ! no reply (no reply within 0.15 s): is it switched") == 1
