"""`daq check BENCH`."""

import argparse
import asyncio
import json
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TextIO

from daq.checklist.items import Item
from daq.checklist.pressures import KINDS
from daq.checklist.refreshing import measured_refresh
from daq.cli.arguments import CommandParser, add_speed, number_between
from daq.cli.checked_answers import Answers, Ask, given_answers
from daq.cli.checked_walk import Walk, begin_walk
from daq.cli.checked_words import HEAD, ending, item_text, walk_facts
from daq.cli.counted import counted
from daq.cli.files import load_bench, load_bench_and_plan
from daq.comparison.lead_watch import unwatched
from daq.config.bench import Bench, Instrument
from daq.config.checked_subjects import check_subjects
from daq.config.plan import Plan, plan_cautions
from daq.config.typed import TypedMeter
from daq.records import Accuracy, Channel
from daq.runtime.checking import (
    InstrumentCheck,
    check_bench,
    least_listening_s,
    slowest,
)
from daq.runtime.clock import Clock
from daq.runtime.secrets import exposure, secret_cautions
from daq.runtime.walk_file import checks_path
from daq.uncertainty import contributions_of_accuracy
from daq.wording import decimals_of, normalising_sentence, shown_value, unit_symbol

_SECONDS = 4.0
_LONGEST_S = 3600.0
_WALKED_REFRESHES = 10.0
_WALKED_LONGEST_S = 60.0
_FAR = 0.1
"""Supplies are within a tenth of their nominal voltage (IEC 60038)."""
_HASTY = 0.5
"""No meter makes new values at less than this share of what its maker states [1]."""


def run(arguments: Sequence[str], *, ask: Ask | None = None) -> int:
    """Validate a bench and talk to its meters.

    Args:
        arguments: Of the command line.
        ask: Answers questions, unless the terminal does.
    """
    options = _parser().parse_args(arguments)
    bench, plan = _load(Path(options.bench), options.plan)
    if not options.json:
        _say_files(options, bench, plan)
    # With --json nothing else may be on standard output.
    words = sys.stderr if options.json else sys.stdout
    walk = _walk(options, bench, plan, ask or _asker(options), words)
    items: list[Item] = []
    if walk is not None:
        items += _shown(walk.before_talking(), is_text=not options.json)
    checks = (
        {}
        if options.files_only
        else _listen(options, bench, words, is_walk=walk is not None)
    )
    far_off = _far_from_reference(bench, plan, checks)
    if not options.json:
        sys.stdout.write(_as_text(bench, checks))
        sys.stdout.writelines(f"Caution: {caution}.\n" for caution in far_off)
    if walk is not None:
        items += _shown(walk.after_talking(checks), is_text=not options.json)
        if not options.json:
            sys.stdout.write(ending(items, checks_path(walk.store)))
    if options.json:
        facts = _facts(options.bench, bench, plan, checks)
        facts["cautions"] = [
            *_secret_cautions(bench, Path(options.bench).parent),
            *(_cautions(bench, plan) if plan else ()),
            *far_off,
        ]
        if walk is not None:
            facts["walk"] = walk_facts(items, checks_path(walk.store))
        sys.stdout.write(
            json.dumps(facts, ensure_ascii=False, allow_nan=False, indent=1) + "\n"
        )
    return 3 if _ill(checks) else int(any(item.is_open for item in items))


def _say_files(options: argparse.Namespace, bench: Bench, plan: Plan | None) -> None:
    sys.stdout.write(
        f"{options.bench}: {counted(len(bench.instruments), 'instrument')},"
        f" {counted(len(bench.channels), 'channel')}, no fault.\n"
    )
    secrets = _secret_cautions(bench, Path(options.bench).parent)
    sys.stdout.writelines(f"  Caution: {c}.\n" for c in secrets)
    sys.stdout.writelines(f"  {_typed_line(meter)}\n" for meter in bench.typed)
    if plan is not None:
        said = normalising_sentence(plan.rules)
        sys.stdout.write(f"{options.plan}: no fault. {said}\n")
        sys.stdout.writelines(f"  Caution: {c}.\n" for c in _cautions(bench, plan))


def _cautions(bench: Bench, plan: Plan) -> list[str]:
    why = unwatched(bench.channels, plan.facts.conditions, baseline=plan.baseline)
    return [*plan_cautions(plan), *([why] if why else [])]


def _secret_cautions(bench: Bench, base: Path) -> Iterator[str]:
    """Secrets that are not where the bench says, or that others may read."""
    place = bench.broker.password_place if bench.broker else None
    if place is not None:
        yield from secret_cautions(place, key="broker.password", base=base)
    if bench.page.key is not None:
        caution = exposure(base / bench.page.key)
        yield from [caution] if caution else []


def _load(bench: Path, plan: str | None) -> tuple[Bench, Plan | None]:
    if plan is None:
        return load_bench(bench), None
    return load_bench_and_plan(bench, Path(plan))


# ---- the list before a session


def _asker(options: argparse.Namespace) -> Ask | None:
    """How to ask at the terminal; None where there is none, or where a program reads along."""
    is_terminal = sys.stdin.isatty() and sys.stdout.isatty()
    return input if is_terminal and not options.json else None


def _walk(
    options: argparse.Namespace,
    bench: Bench,
    plan: Plan | None,
    ask: Ask | None,
    words: TextIO,
) -> Walk | None:
    """The list, where it is wanted.

    Raises:
        InputError: If an option answers what is not asked.
    """
    given = given_answers(options.yes, options.answer, list(check_subjects(bench)))
    if not (options.walk or given):
        is_session_near = plan is not None and not options.files_only
        if ask is None or not is_session_near or not _wants_walk(ask):
            return None
    if not options.json:
        sys.stdout.write(f"\n{HEAD}\n")
    return begin_walk(
        bench,
        plan,
        store=_store_path(options, bench),
        answers=Answers(given, ask),
        words=None if options.files_only else words,
        clock=Clock(speed=options.speed),
    )


def _wants_walk(ask: Ask) -> bool:
    question = (
        "Go through what spoils afternoons before a session, item by item? [y/N] "
    )
    try:
        return ask(question).strip().casefold() in {"y", "yes"}
    except EOFError:
        return False


def _store_path(options: argparse.Namespace, bench: Bench) -> Path:
    """Results file of the option, else of the bench."""
    if options.store:
        return Path(options.store)
    return Path(options.bench).resolve().parent / bench.store


def _shown(items: Iterable[Item], *, is_text: bool) -> list[Item]:
    """All items; each is shown as soon as it is known."""
    known = []
    for item in items:
        known.append(item)
        if is_text:
            sys.stdout.write(item_text(item))
            sys.stdout.flush()
    return known


# ---- talking to the meters


def _listen(
    options: argparse.Namespace, bench: Bench, words: TextIO, *, is_walk: bool
) -> dict[str, InstrumentCheck]:
    clock = Clock(speed=options.speed)
    slow = slowest(bench, speed=clock.speed)
    seconds = max(options.seconds, least_listening_s(slow, speed=clock.speed))
    if is_walk:
        # Enough changes to measure a refresh by, unless that takes too long.
        walked_s = clock.real_s(_WALKED_REFRESHES * slow.profile.refresh_s)
        seconds = max(seconds, min(walked_s, _WALKED_LONGEST_S))
    words.write(_how_long(slow, seconds, wanted_s=options.seconds))
    words.flush()
    heard = asyncio.run(check_bench(bench, clock=clock, seconds=seconds))
    return {check.instrument: check for check in heard}


def _how_long(instrument: Instrument, seconds: float, *, wanted_s: float) -> str:
    longer = ""
    if seconds > wanted_s:
        longer = (
            f" and not for {wanted_s:g} s, because {instrument.name}"
            f" makes a new value only every {instrument.profile.refresh_s:g} s"
        )
    return f"Talking to the meters for {seconds:.4g} s{longer} …\n"


def _far_from_reference(
    bench: Bench, plan: Plan | None, checks: dict[str, InstrumentCheck]
) -> list[str]:
    """Whether the voltage that readings are to be taken to is the supply's."""
    asked = plan.rules.normalising if plan is not None else None
    if asked is None:
        return []
    cautions = []
    for channel in bench.channels:
        check = checks.get(channel.instrument)
        if channel.name != asked.reference or check is None or not check.values:
            continue
        shown_v = check.values[channel.field_index]
        if shown_v is None or abs(shown_v - asked.reference_v) <= _FAR * abs(shown_v):
            continue
        cautions.append(
            f"the plan normalises to {asked.reference_v:g} V, but {channel.name} shows {shown_v:g} V now:"
            " readings are carried over such a distance only by guessing, so take the supply's usual voltage"
        )
    return cautions


def _ill(checks: dict[str, InstrumentCheck]) -> list[str]:
    return [name for name, check in checks.items() if check.trouble is not None]


# ---- for people


def _as_text(bench: Bench, checks: dict[str, InstrumentCheck]) -> str:
    if not checks:
        return ""
    columns = _columns(bench, checks)
    parts = ["\n".join(_lines(i, checks[i.name], columns)) for i in bench.instruments]
    ill = _ill(checks)
    parts.append(f"Not in order: {', '.join(ill)}." if ill else "Every meter answers.")
    return "".join(f"\n{part}\n" for part in parts)


@dataclass(frozen=True, slots=True)
class _Columns:
    """Characters that names and readings take, of all meters together [1]."""

    name: int
    shown: int


def _columns(bench: Bench, checks: dict[str, InstrumentCheck]) -> _Columns:
    channels = [(c, checks[i.name]) for i in bench.instruments for c in i.channels]
    shown = [
        _value_shown(channel, check.values[channel.field_index])
        for channel, check in channels
        if check.readings
    ]
    return _Columns(
        name=max([_LEAST_COLUMNS.name, *(len(c.name) for c, _ in channels)]),
        shown=max([_LEAST_COLUMNS.shown, *map(len, shown)]),
    )


_LEAST_COLUMNS = _Columns(name=20, shown=14)


def _lines(
    instrument: Instrument, check: InstrumentCheck, columns: _Columns
) -> list[str]:
    port = instrument.port
    unit = f", unit {instrument.unit}" if instrument.unit is not None else ""
    framing = f"{port.baud} {port.data_bits}{port.parity[0].upper()}{port.stop_bits}"
    lines = [f"{instrument.name}  {instrument.title}", f"  {port.url}  {framing}{unit}"]
    if check.readings:
        lines.append(f"  {_pace(check, streamed=instrument.is_streamed)}")
        lines += [
            f"  {_channel_line(c, check.values[c.field_index], columns)}"
            for c in instrument.channels
        ]
    if check.trouble is not None:
        lines.append(f"  ! {check.trouble}")
    return lines


def _pace(check: InstrumentCheck, *, streamed: bool) -> str:
    words = f"{counted(check.readings, 'reading')}, {counted(check.gaps, 'gap')}"
    if check.reply_s is not None and not streamed:
        words += f"; replies within {check.reply_s * 1e3:.0f} ms"
    seen = measured_refresh(check.heard) if streamed else None
    if seen is not None:
        # It sends whether its value has changed or not, and its profile states how often.
        words += f"; a line every {seen.look_s:.2g} s{_stated(check, seen.look_s)}"
    if check.refresh_s is not None:
        words += f"; a new value about every {check.refresh_s:.2g} s"
        words += _stated(check, check.refresh_s) if seen is None else _REPEATS
    return words


_REPEATS = ", as a line may repeat the value before"


def _stated(check: InstrumentCheck, seen_s: float) -> str:
    """What the profile says, and how that can be where it is much longer than what was seen."""
    words = f", its profile says {check.stated_refresh_s:g} s"
    if seen_s < _HASTY * check.stated_refresh_s:
        words += ", which can be as short (or a simulator runs faster than life: say --speed as it has it)"
    return words


def _channel_line(channel: Channel, value: float | None, columns: _Columns) -> str:
    name, shown = channel.name, _value_shown(channel, value)
    place = f", {channel.place}" if channel.place else ""
    stated = _accuracy(channel.accuracy, channel.unit)
    return f"{name:<{columns.name}} {shown:>{columns.shown}}   {channel.title}{place}; accuracy {stated}"


def _value_shown(channel: Channel, value: float | None) -> str:
    if value is None:
        return "over range"
    return shown_value(value, channel.unit, decimals_of(channel.accuracy.resolution))


def _typed_line(meter: TypedMeter) -> str:
    """A meter that nobody can talk to: what is known of it from the bench's file."""
    channel = meter.channel
    place = f", {channel.place}" if channel.place else ""
    stated = _accuracy(channel.accuracy, channel.unit, source="its table [[typed]]")
    return f"{channel.name}: {channel.title}{place}, typed by the operator; accuracy {stated}"


def _accuracy(accuracy: Accuracy, unit: str, source: str = "the profile") -> str:
    """Everything that is stated, in the words of the uncertainty budget."""
    # Shares of a reading count as stated whatever is read, so any reading but 0 will do.
    parts = contributions_of_accuracy(1.0, accuracy)
    stated = ", ".join(
        f"± ({part.detail})"
        if part.name == "accuracy"
        else f"{part.name} {part.detail}"
        for part in parts
    )
    symbol = unit_symbol(unit)
    within = f" [{symbol}]" if stated and symbol else ""
    return f"{stated}{within}" if stated else f"not stated in {source}"


# ---- for programs


def _facts(
    file: str, bench: Bench, plan: Plan | None, checks: dict[str, InstrumentCheck]
) -> dict[str, object]:
    return {
        "format": 1,
        "bench": file,
        "name": bench.name,
        "in_order": not _ill(checks) if checks else None,
        "normalising": normalising_sentence(plan.rules) if plan else None,
        "instruments": [
            _instrument_facts(i, checks.get(i.name)) for i in bench.instruments
        ],
        "typed": [_channel_facts(meter.channel, ()) for meter in bench.typed],
    }


def _instrument_facts(
    instrument: Instrument, check: InstrumentCheck | None
) -> dict[str, object]:
    """One instrument; what only talking to it can tell is null where nobody talked to it."""
    port = instrument.port
    values = check.values if check is not None else ()
    return {
        "name": instrument.name,
        "title": instrument.title,
        "port": port.url,
        "baud": port.baud,
        "data_bits": port.data_bits,
        "parity": port.parity,
        "stop_bits": port.stop_bits,
        "unit": instrument.unit,
        "stated_refresh_s": instrument.profile.refresh_s,
        "readings": check.readings if check is not None else None,
        "gaps": check.gaps if check is not None else None,
        "reply_s": check.reply_s if check is not None else None,
        "refresh_s": check.refresh_s if check is not None else None,
        "trouble": check.trouble if check is not None else None,
        "channels": [_channel_facts(c, values) for c in instrument.channels],
    }


def _channel_facts(
    channel: Channel, values: Sequence[float | None]
) -> dict[str, object]:
    value = values[channel.field_index] if values else None
    state = "ok" if value is not None else "overrange" if values else "no reading yet"
    return {
        "name": channel.name,
        "title": channel.title,
        "quantity": channel.quantity,
        "unit": channel.unit,
        "place": channel.place,
        "value": value,
        "condition": state,
        "accuracy": asdict(channel.accuracy),
    }


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq check",
        description="Read a bench file, talk to its meters and say in plain words what is wrong.",
        epilog=f"Kinds of air pressure. {KINDS}",
    )
    parser.add_argument("bench", metavar="BENCH", help="bench file (TOML)")
    parser.add_argument(
        "plan", metavar="PLAN", nargs="?", help="a plan for it, to be checked too"
    )
    parser.add_argument(
        "--files-only", action="store_true", help="do not open any port"
    )
    parser.add_argument(
        "--seconds",
        type=number_between(0.1, _LONGEST_S),
        default=_SECONDS,
        help="how long to listen at least (default %(default)g); a slow meter is listened to for three refreshes",
    )
    add_speed(parser)
    parser.add_argument(
        "--walk",
        action="store_true",
        help="go through what spoils afternoons before a session, item by item; at a terminal with a plan it is asked",
    )
    parser.add_argument(
        "--yes",
        action="append",
        default=[],
        metavar="ITEM",
        help='acknowledge an item of --walk, or a group of them ("isolation"); pair and zero are read then',
    )
    parser.add_argument(
        "--answer",
        action="append",
        default=[],
        metavar="ITEM=VALUE",
        help='answer an item of --walk: "hold=no", "air=QNH 1019 hPa 914 m"',
    )
    parser.add_argument(
        "--store",
        metavar="FILE",
        help="results file, beside which answers are kept; the bench's own if absent",
    )
    parser.add_argument(
        "--json",
        action="store_true",
        help="print the same facts as JSON on standard output",
    )
    return parser
