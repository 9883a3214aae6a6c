"""`daq check BENCH`."""

import argparse
import asyncio
import sys
from collections.abc import Sequence
from pathlib import Path

from daq.cli.arguments import number_between
from daq.cli.files import load_bench
from daq.config.bench import Bench
from daq.records import Accuracy, Channel
from daq.runtime.checking import InstrumentCheck, check_bench
from daq.runtime.clock import Clock
from daq.wording import decimals_of, shown_value, unit_symbol

_SECONDS = 4.0
_LONGEST_S = 3600.0


def run(arguments: Sequence[str]) -> int:
    """Validate a bench and talk to its meters."""
    options = _parser().parse_args(arguments)
    bench = load_bench(Path(options.bench))
    sys.stdout.write(
        f"{options.bench}: {len(bench.instruments)} instruments, {len(bench.channels)} channels, no fault.\n"
    )
    if options.files_only:
        return 0
    sys.stdout.write(f"Talking to the meters for {options.seconds:g} s …\n")
    sys.stdout.flush()
    checks = asyncio.run(check_bench(bench, clock=Clock(), seconds=options.seconds))
    for check in checks:
        sys.stdout.write("\n" + "\n".join(_lines(bench, check)) + "\n")
    ill = [check.instrument for check in checks if check.trouble is not None]
    sys.stdout.write(
        "\n"
        + (f"Not in order: {', '.join(ill)}.\n" if ill else "Every meter answers.\n")
    )
    return 3 if ill else 0


def _lines(bench: Bench, check: InstrumentCheck) -> list[str]:
    instrument = next(i for i in bench.instruments if i.name == check.instrument)
    port = instrument.port
    unit = f", unit {instrument.unit}" if instrument.unit is not None else ""
    framing = f"{port.baud} {port.data_bits}{port.parity[0].upper()}{port.stop_bits}"
    lines = [f"{instrument.name}  {instrument.title}", f"  {port.url}  {framing}{unit}"]
    if check.readings:
        lines.append(f"  {_pace(check, streamed=instrument.is_streamed)}")
        lines += [
            f"  {_channel_line(c, check.values[c.field_index])}"
            for c in instrument.channels
        ]
    if check.trouble is not None:
        lines.append(f"  ! {check.trouble}")
    return lines


def _pace(check: InstrumentCheck, *, streamed: bool) -> str:
    words = f"{check.readings} readings, {check.gaps} gaps"
    if check.reply_s is not None and not streamed:
        words += f"; replies within {check.reply_s * 1e3:.0f} ms"
    if check.refresh_s is not None:
        words += f"; a new value about every {check.refresh_s:.2g} s, its profile says {check.stated_refresh_s:g} s"
    return words


def _channel_line(channel: Channel, value: float | None) -> str:
    decimals = decimals_of(channel.accuracy.resolution)
    shown = (
        "over range" if value is None else shown_value(value, channel.unit, decimals)
    )
    place = f", {channel.place}" if channel.place else ""
    return f"{channel.name:<20} {shown:>14}   {channel.title}{place}; accuracy {_accuracy(channel.accuracy, channel.unit)}"


def _accuracy(accuracy: Accuracy, unit: str) -> str:
    parts = [
        (accuracy.percent_of_reading, f"{accuracy.percent_of_reading:g} % of reading"),
        (
            accuracy.percent_of_range,
            f"{accuracy.percent_of_range:g} % of {accuracy.full_scale:g} {unit_symbol(unit)}",
        ),
        (accuracy.counts, f"{accuracy.counts:g} counts of {accuracy.resolution:g}"),
        (accuracy.absolute, f"{accuracy.absolute:g} {unit_symbol(unit)}"),
    ]
    stated = [text for size, text in parts if size]
    return "± (" + " + ".join(stated) + ")" if stated else "not stated in the profile"


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="daq check",
        description="Read a bench file, talk to its meters and say in plain words what is wrong.",
    )
    parser.add_argument("bench", metavar="BENCH", help="bench file (TOML)")
    parser.add_argument(
        "--files-only", action="store_true", help="do not open any port"
    )
    parser.add_argument(
        "--seconds",
        type=number_between(0.1, _LONGEST_S),
        default=_SECONDS,
        help="how long to listen (default %(default)g)",
    )
    return parser
