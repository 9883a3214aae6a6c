"""How often the searches end in a working bench file, against meters whose settings are drawn at random.

    python tests/benchmarks/recognising.py [--draws N] [--workers N] [--first SEED] [--kind KIND]

The commands' own functions are called with nothing known but the port, and an operator answers from the meter's display. A
draw has worked if the command ended well and the poller, reading with the files at a load never seen before, gives the true
values. A wrong value that was written counts apart: there must be none. What a user would look up is drawn from what the
search covers. Beside the values stand a kept maximum, a slow average, volts times amperes. Now and then a value is out of reach
(then it must be left out) or lies across an end of what is searched. Some machines are small and only on or off, some supplies
wander, some operators type what they saw seconds ago, and a meter that answers MEAS? alone is asked once more as told.
"""

import argparse
import asyncio
import dataclasses
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.cli import listen, registers
from daq.cli.files import load_bench
from daq.recognising.asking import LAST_UNIT, STARTING_QUERIES, UNITS
from daq.runtime.checking import check_bench
from daq.runtime.clock import Clock
from tests.hidden_frames import FrameDraw, drawn_frame
from tests.hidden_meters import (
    HiddenMeter,
    Operator,
    Wire,
    ascii_answer,
    shapes_told,
    unit_answer,
)
from tests.hidden_values import (
    Followers,
    Searched,
    Truth,
    drawn_followers,
    drawn_map,
    electrical_levels,
    follower_places,
    other_registers,
    with_value_out_of_reach,
)

GOAL = 0.95
BAUDS = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
_FLICKER = 1e-3
"""Of values whose last digit never stands still."""

_READ_S = 0.5
_LOOKS = 20
_LATE_S = 4.0
_SMALL_SHARE = 0.3
_WANDER = 8e-4
"""Of a supply over seconds: some two tenths of a volt."""

_QUICK = ("--wait", "0.06")


@dataclasses.dataclass(frozen=True)
class Outcome:
    """How one draw ended."""

    kind: str
    seed: int
    worked: bool
    missing: tuple[str, ...]
    wrong: tuple[str, ...]
    seconds: float
    settings: str
    said: str


# ---- Modbus


_RTU_SHAPES = ("8N1", "8N1", "8E1", "8O1", "8N2")
_ASCII_SHAPES = ("7E1", "7E1", "7O1", "7N2", "8N1", "8E1")


def modbus_outcome(seed: int) -> Outcome:
    """One meter on Modbus RTU."""
    return _registers_outcome("modbus", random.Random(seed), seed, _RTU_SHAPES)  # noqa: S311 - settings, no secret


def ascii_outcome(seed: int) -> Outcome:
    """One meter on Modbus ASCII."""
    draw = random.Random(20_000 + seed)  # noqa: S311 - settings, no secret
    return _registers_outcome("ascii", draw, seed, _ASCII_SHAPES)


def _registers_outcome(
    kind: str, draw: random.Random, seed: int, shapes: Sequence[str]
) -> Outcome:
    """One meter with hidden settings and an operator with its display."""
    wire = Wire(draw.choice(BAUDS), draw.choice(shapes))
    unit = draw.choice((*[draw.randint(1, 10)] * 5, draw.randint(1, LAST_UNIT)))
    functions = draw.choice(((3,), (4,), (3, 4)))
    late_s = draw.choice((0.0, draw.uniform(0.0, _LATE_S)))
    wander = draw.choice((0.0, draw.uniform(0.0, _WANDER)))
    truth = Truth(
        draw,
        electrical_levels(draw, small_share=_SMALL_SHARE),
        wander=wander,
        late_s=late_s,
    )
    drawn, described = drawn_map(draw)
    places, searched = with_value_out_of_reach(draw, drawn)
    followers = Followers(draw, truth)
    kept = follower_places(draw, drawn_followers(draw, tuple(places)), places)
    held = other_registers(draw, places)

    told = [(place, partial(truth.now, name)) for name, place in places.items()]
    told += [(place, partial(followers.now, *pair)) for pair, place in kept.items()]

    def words() -> dict[int, int]:
        now = dict(held)
        for place, value in told:
            now |= place.words(value())
        return now

    digits = {
        "voltage": 1,
        "current": draw.choice((2, 3)),
        "power": draw.choice((0, 1)),
    }
    units = {"voltage": "V", "current": "A", "power": "W"}

    def shown(name: str) -> str:
        return f"{truth.seen(name):.{digits[name]}f}"

    def answer(question: str) -> str | None:
        if "press Enter" in question:
            truth.change()
            return ""
        if question.startswith("The display shows now: "):
            return shown(question.split(": ")[1].split(" ")[0])
        return ""

    asked_for = _asked_for(searched, unit, wire)

    def search(path: str, folder: str) -> int:
        shows = [f"--shows={name}={shown(name)} {units[name]}" for name in places]
        quick = (*_QUICK, "--pause", "0", "--every", "0.12", *asked_for)
        return registers.run([path, *quick, "--write", folder, *shows])

    by_rtu = unit_answer(unit, functions, words)
    meter = HiddenMeter(
        wire, answer=ascii_answer(by_rtu) if kind == "ascii" else by_rtu
    )
    beside = ", ".join(f"{kind_} of {name}" for kind_, name in kept)
    levels = {name: truth.level(name) for name in places}
    begun = ", ".join(f"{name} {place.address}" for name, place in places.items())
    settings = (
        f"{wire.baud} {wire.shape} unit {unit} functions {functions} {described} beside {beside or 'nothing'},"
        f" as {begun} of {searched.first} to {searched.last}, {levels} read {late_s:.1f} s late, wander {wander:.1e}"
    )
    tolerances = {
        name: max(10.0 ** -digits[name], place.scale) for name, place in places.items()
    }
    return _outcome(
        kind,
        seed,
        meter=meter,
        truth=truth,
        search=search,
        operator=Operator(answer=answer),
        tolerances=tolerances,
        settings=settings,
        required={name for name, p in places.items() if searched.must_find(p)},
    )


def _asked_for(searched: Searched, unit: int, wire: Wire) -> tuple[str, ...]:
    """What is looked up: where registers begin, and for an address that is hardly used the speed."""
    where = (f"--first={searched.first}", f"--last={searched.last}")
    if unit in UNITS:
        return where
    return *where, f"--baud={wire.baud}", f"--framing={wire.shape}"


# ---- lines

_KINDS: dict[str, tuple[str, str, tuple[float, float], tuple[int, ...]]] = {
    "voltage": ("V", "V", (210.0, 245.0), (1, 2)),
    "current": ("A", "A", (0.2, 9.0), (2, 3)),
    "power": ("W", "W", (40.0, 2000.0), (0, 1)),
    "frequency": ("Hz", "Hz", (49.9, 50.1), (1, 2)),
    "velocity": ("m/s", "m/s", (0.5, 30.0), (1, 2)),
    "temperature": ("C", "Cel", (-5.0, 45.0), (1, 2)),
    "pressure": ("Pa", "Pa", (-50.0, 900.0), (0, 1)),
    "humidity": ("%RH", "%RH", (20.0, 80.0), (0, 1)),
    "power_factor": ("", "1", (0.3, 0.99), (2, 3)),
}


def lines_outcome(seed: int) -> Outcome:
    """One meter that talks by itself, or when it is asked."""
    draw = random.Random(10_000 + seed)  # noqa: S311 - settings, no secret
    shape = draw.choice(("8N1", "8N1", "8N1", "8E1", "8O1", "7E1", "7O1", "8N2"))
    wire = Wire(draw.choice(BAUDS), shape)
    names = draw.sample(sorted(_KINDS), draw.randint(1, 4))
    truth = Truth(
        draw, {n: [draw.uniform(*_KINDS[n][2]) for _ in range(2)] for n in names}
    )
    decimals = {name: draw.choice(_KINDS[name][3]) for name in names}
    end = draw.choice(("\r\n", "\n", "\r"))
    is_asked = draw.random() < 0.25
    speak, described = _speech(draw, truth, names, decimals, is_asked=is_asked)
    query = draw.choice(("MEAS?", "READ?", "FETC?", "VAL?", "DATA?"))

    def said() -> bytes:
        return f"{speak()}{end}".encode()

    def answer_query(data: bytes) -> bytes:
        return said() if data.strip() == query.encode() else b""

    def answer(question: str) -> str | None:
        if not question.startswith("Column "):
            return ""
        name = names[int(question.split()[1]) - 1]
        return f"{name} {_KINDS[name][1]}"

    operator = Operator(answer=answer)
    asked_for = (f"--baud={wire.baud}", f"--framing={shape}")

    def search(path: str, folder: str) -> int:
        quick = [path, "--seconds", "0.5", *_QUICK, "--write", folder]
        if not is_asked or query not in STARTING_QUERIES:
            return listen.run(quick)
        # Speed and shape are looked up, as one does whose first search was in vain, and the words are followed.
        listen.run([*quick, *asked_for])
        named = f'--ask "{query}"' in operator.text
        return listen.run([*quick, *asked_for, f"--ask={query}"]) if named else 1

    meter = HiddenMeter(
        wire,
        answer=answer_query if is_asked else lambda _: b"",
        speak=None if is_asked else said,
        interval_s=draw.uniform(0.05, 0.15),
    )
    asked = f"asked {query}" if is_asked else "streams"
    settings = f"{wire.baud} {wire.shape} {asked} {described} end {end!r}: {speak()!r}"
    tolerances = {name: 10.0 ** -decimals[name] for name in names}
    return _outcome(
        "lines",
        seed,
        meter=meter,
        truth=truth,
        search=search,
        operator=operator,
        tolerances=tolerances,
        settings=settings,
    )


def _speech(
    draw: random.Random,
    truth: Truth,
    names: Sequence[str],
    decimals: dict[str, int],
    *,
    is_asked: bool,
) -> tuple[Callable[[], str], str]:
    """How the meter writes its values."""
    separator = draw.choice((",", ";", "\t", " ", ", ", "; "))
    style = (
        "bare"
        if is_asked
        else draw.choice(("bare", "units", "units", "labels", "both"))
    )
    if is_asked:
        separator = separator[0]
    width = 0 if is_asked else draw.choice((0, 0, 8))
    is_exponent = style == "bare" and draw.random() < 0.2
    sign = draw.choice(("", "+"))
    gap = draw.choice(("", " "))

    def figure(name: str) -> str:
        value = truth.now(name)
        if is_exponent:
            return f"{value:{sign}.5E}"
        return f"{value:{sign}{width}.{decimals[name]}f}"

    def part(name: str) -> str:
        unit = _KINDS[name][0]
        label = f"{name.upper()[:4]}=" if style in ("labels", "both") else ""
        tail = f"{gap}{unit}" if unit and style in ("units", "both") else ""
        return f"{label}{figure(name)}{tail}"

    return lambda: separator.join(
        part(name) for name in names
    ), f"{style} by {separator!r}"


# ---- binary frames


def frames_outcome(seed: int) -> Outcome:
    """One meter that sends binary frames by itself."""
    draw = random.Random(30_000 + seed)  # noqa: S311 - settings, no secret
    wire = Wire(draw.choice(BAUDS), draw.choice(("8N1", "8N1", "8N1", "8E1", "8N2")))
    levels = electrical_levels(draw)
    names = draw.sample(sorted(levels), draw.randint(1, 3))
    # The machine runs, as `daq listen` asks for where all frames are the same.
    truth = Truth(draw, {name: levels[name] for name in names}, noise=_FLICKER)
    truth.change()
    decimals = {name: draw.choice(_KINDS[name][3]) for name in names}
    followers = Followers(draw, truth)
    beside = drawn_followers(draw, names)
    kept = {f"{kind} {name}": (kind, name) for kind, name in beside}
    frame = drawn_frame(
        draw, {**decimals, **{each: decimals[n] for each, (_, n) in kept.items()}}
    )

    def held() -> dict[str, float]:
        values = {name: truth.now(name) for name in names}
        return values | {each: followers.now(*pair) for each, pair in kept.items()}

    # A meter whose frames have no checksum is looked up: its speed stands in its manual.
    known = ["--baud", str(wire.baud), "--framing", "8N1"]
    if frame.checksum != "none":
        known = []

    operator = Operator()
    operator.answer = _reader(truth, frame, decimals, operator)

    def search(path: str, folder: str) -> int:
        return listen.run([path, "--seconds", "1.5", *known, "--write", folder])

    return _outcome(
        "frames",
        seed,
        meter=HiddenMeter(
            wire,
            speak=lambda: frame.encoded(held()),
            interval_s=draw.uniform(0.1, 0.3),
        ),
        truth=truth,
        search=search,
        operator=operator,
        tolerances={name: 10.0 ** -decimals[name] for name in names},
        settings=f"{wire.baud} {wire.shape} {frame.described}",
    )


def _reader(
    truth: Truth, frame: FrameDraw, decimals: dict[str, int], operator: Operator
) -> Callable[[str], str | None]:
    """Whoever types what the display shows, and knows from the manual which of several candidates it is."""
    untyped = list(decimals)

    def shown(name: str) -> str:
        return f"{truth.now(name):.{decimals[name]}f}"

    def answer(question: str) -> str | None:
        if "press Enter" in question:
            truth.change()
        if question.startswith("The display shows now: "):
            return shown(question.split(": ")[1].split(" ")[0])
        if question.startswith("Which one is "):
            return frame.number_taken(question.split()[3], operator.text)
        if not question.startswith(("What does the display", "Another value")):
            return ""
        name = untyped.pop() if untyped else None
        return f"{name}={shown(name)} {_KINDS[name][1]}" if name else ""

    return answer


# ---- all of them


def _outcome(
    kind: str,
    seed: int,
    *,
    meter: HiddenMeter,
    truth: Truth,
    search: Callable[[str, str], int],
    operator: Operator,
    tolerances: dict[str, float],
    settings: str,
    required: set[str] | None = None,
) -> Outcome:
    """How the search ends; those of `required` must be written, and that others are left out must be told."""
    with tempfile.TemporaryDirectory() as folder, shapes_told(), meter:
        begun_s = time.monotonic()
        with operator.attending():
            try:
                code = search(meter.path, folder)
            except Exception as exc:  # noqa: BLE001 - told with the draw that it belongs to
                code = 70
                operator.write(repr(exc))
        seconds = time.monotonic() - begun_s
        bench = Path(folder) / "bench.toml"
        right, wrong = set[str](), list[str]()
        if bench.is_file():
            truth.change_to_unseen()
            right, wrong = _compared(bench, truth, tolerances)
    missing = (set(tolerances) if required is None else required) - right
    is_told = code == int(right != set(tolerances))
    told = (*[f"not read: {name}" for name in sorted(missing)], f"exit code {code}")
    return Outcome(
        kind,
        seed,
        worked=not missing and is_told,
        missing=told,
        wrong=tuple(wrong),
        seconds=seconds,
        settings=settings,
        said=operator.text,
    )


def _compared(
    path: Path, truth: Truth, tolerances: dict[str, float]
) -> tuple[set[str], list[str]]:
    """Fields that read right with the written files, and what is wrong with the others."""
    bench = load_bench(path)
    seconds = bench.instruments[0].worst_reply_s + _READ_S
    # On a loaded machine a reading may take longer than once around.
    values: Sequence[float | None] = ()
    for _ in range(_LOOKS):
        (check,) = asyncio.run(check_bench(bench, clock=Clock(), seconds=seconds))
        if None not in (values := check.values):
            break
    right, wrong = set(), list[str]()
    for name, value in zip(bench.instruments[0].field_names, values, strict=False):
        level = truth.level(name)
        allowed = tolerances[name] + truth.allowance(name)
        if value is not None and abs(value - level) <= allowed:
            right.add(name)
        elif value is not None:
            wrong.append(f"{name} {value}, true {level:.4f}")
    return right, wrong


def _summed_up(kind: str, outcomes: Sequence[Outcome]) -> bool:
    """Print the share, what failed, and the time; whether the goal is met."""
    worked = sum(outcome.worked for outcome in outcomes)
    wrong = [outcome for outcome in outcomes if outcome.wrong]
    seconds = sorted(outcome.seconds for outcome in outcomes)
    print(
        f"{kind:<7} as it should in {worked} of {len(outcomes)} draws, wrong values accepted in {len(wrong)};"
        f" {statistics.median(seconds):.1f} s a draw in the middle, {seconds[-1]:.1f} s at most"
    )
    for outcome in outcomes:
        if not outcome.worked or outcome.wrong:
            print(f"  draw {outcome.seed}: {outcome.settings}")
            for text in outcome.wrong:
                print(f"    wrong: {text}")
            if not outcome.worked:
                print(f"    {'; '.join(outcome.missing)}")
                print("    " + "\n    ".join(outcome.said.splitlines()[-6:]))
    return worked >= GOAL * len(outcomes) and not wrong


SEARCHES = {
    "modbus": modbus_outcome,
    "ascii": ascii_outcome,
    "lines": lines_outcome,
    "frames": frames_outcome,
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the searches on as many meters as asked for."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--draws", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--workers", type=int, default=8)
    parser.add_argument(
        "--kind",
        choices=SEARCHES,
        action="append",
        help="how the meters talk; may be given several times; all if absent",
    )
    options = parser.parse_args(arguments)
    seeds = range(options.first, options.first + options.draws)
    is_met = []
    with ProcessPoolExecutor(options.workers) as pool:
        for kind in options.kind or SEARCHES:
            outcomes = list(pool.map(SEARCHES[kind], seeds))
            is_met.append(_summed_up(kind, outcomes))
    return 0 if all(is_met) else 1


if __name__ == "__main__":
    sys.exit(main())
