"""Runs a simulated bench: `python -m simulators FILE [options]`.

Prints the lines with their names, then `ready`, then one answer for each command that it
reads (see `commands`). Stops on `quit`, on a signal, and at the end of its input where
somebody was there to end it; takes the names of its lines away and prints its counts.
"""

import argparse
import asyncio
import json
import sys
from collections.abc import Coroutine, Iterable, Iterator, Sequence
from pathlib import Path

from simulators.commands import Commands
from simulators.config import LineSettings, Simulation, load_simulation
from simulators.operator import Operator
from simulators.rig import Rig, seeded
from simulators.tables import ConfigError
from simulators.terminal import (
    BenchClock,
    SerialLine,
    keep_turning,
    read_commands,
    say,
    stopping_on_signals,
    talk,
    watch_page,
)
from simulators.wires.paced_line import Outgoing

MIXED_FAULT_SHARE = 0.03


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the simulator until it is told to stop."""
    options = _parser().parse_args(arguments)
    try:
        simulation = load_simulation(options.file)
    except ConfigError as exc:
        sys.stderr.write(f"{exc}\n")
        return 2
    asyncio.run(_Simulator(simulation, options).run())
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m simulators",
        description="Simulated machine and meters on pseudo-terminals.",
    )
    parser.add_argument("file", type=Path, help="simulation file (TOML)")
    parser.add_argument(
        "--speed",
        type=_speed,
        default=1.0,
        help="bench seconds a real second, above 0 to 1000 (1)",
    )
    parser.add_argument("--seed", type=int, default=1, help="for all chance (1)")
    parser.add_argument(
        "--ports", type=Path, help="folder for the lines' names (ports beside FILE)"
    )
    parser.add_argument(
        "--watch", metavar="URL", help="act as the person who reads this page"
    )
    parser.add_argument(
        "--faults",
        choices=("polite", "mixed"),
        default="polite",
        help="mixed: some 3 %% of the replies are spoiled (polite)",
    )
    parser.add_argument(
        "--truth", type=Path, metavar="FILE", help="write the settled values there"
    )
    return parser


def _speed(text: str) -> float:
    speed = float(text)
    if not 0 < speed <= 1000:
        msg = f"got {text}, expected a number above 0, at most 1000"
        raise argparse.ArgumentTypeError(msg)
    return speed


class _Simulator:
    """One run: the rig, its clock, its lines, and the wish to stop."""

    def __init__(self, simulation: Simulation, options: argparse.Namespace) -> None:
        share = MIXED_FAULT_SHARE if options.faults == "mixed" else 0.0
        self._simulation = simulation
        self._options = options
        self._rig = Rig(simulation, seed=options.seed, fault_share=share)
        self._clock = BenchClock(options.speed)
        self._lines = {line.name: self._line(line) for line in simulation.lines}
        self._stop = asyncio.Event()
        self._commands = Commands(self._rig, self._lines, quit_=self._stop.set)

    async def run(self) -> None:
        """Serve until the wish to stop comes, and leave nothing behind."""
        self._write_truth()
        try:
            with stopping_on_signals(self._stop):
                self._introduce()
                self._listen()
                await self._serve()
        finally:
            for line in self._lines.values():
                line.unplug()
            self._write_truth()
            say(f"counts {self._commands.counts()}")

    def _line(self, settings: LineSettings) -> SerialLine:
        meters = self._simulation.meters_on(settings.name)
        stations = [self._rig.stations[meter.name] for meter in meters]

        def answer(frame: bytes) -> Iterable[Outgoing]:
            self._rig.advance(self._clock.now_s())
            now_s = self._rig.now_s
            replies = (station.answer(frame, now_s) for station in stations)
            return [reply for reply in replies if reply is not None]

        folder = self._options.ports or self._options.file.parent / "ports"
        return SerialLine(
            folder / settings.name,
            settings.framing,
            frame_end=meters[0].kind.frame_end,
            answer=answer,
        )

    def _introduce(self) -> None:
        for settings in self._simulation.lines:
            line = self._lines[settings.name]
            line.plug()
            meters = self._simulation.meters_on(settings.name)
            units = [str(meter.unit) for meter in meters if meter.kind.has_unit]
            who = f"units {', '.join(units)}" if units else meters[0].kind_name
            say(f"{settings.name}  {line.link}  {settings.framing}  {who}")
        say("ready")

    def _listen(self) -> None:
        def execute(line: str) -> None:
            self._rig.advance(self._clock.now_s())
            say(self._commands.execute(line))

        def at_end() -> None:
            if self._options.watch is None:
                self._stop.set()

        read_commands(execute, at_end)

    async def _serve(self) -> None:
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(job) for job in self._jobs()]
            await self._stop.wait()
            for task in tasks:
                task.cancel()

    def _jobs(self) -> Iterator[Coroutine[None, None, None]]:
        rig, clock = self._rig, self._clock
        yield keep_turning(rig, clock)
        for line in self._lines.values():
            yield line.serve()
        for meter in self._simulation.meters:
            if meter.kind.interval_s is not None:
                yield talk(
                    self._lines[meter.line], rig.stations[meter.name], rig, clock
                )
        if self._options.watch is not None:
            person = Operator(
                seeded(self._options.seed, "person"), known=rig.conditions
            )
            yield watch_page(self._options.watch, rig, clock, person)

    def _write_truth(self) -> None:
        file: Path | None = self._options.truth
        if file is not None:
            text = json.dumps(self._rig.truth(), indent=1) + "\n"
            file.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
