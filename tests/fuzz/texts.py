"""Targets: files that a user writes or that another program left, and lines that a stranger's meter sends.

A byte changed at random in TOML is a syntax error nearly always. So most inputs of the TOML targets are edits of a file
that ships with the program: its first byte chooses the file, then each line of the input changes one line of it.
"""

import math
import re
from collections.abc import Callable
from functools import cache
from pathlib import Path

from daq.config.bench import Bench, parse_bench, parse_profile
from daq.config.plan import check_plan_alone, parse_plan
from daq.delimited import parse_log
from daq.errors import ConfigurationError, InputError
from daq.framing import character_time_s
from daq.recognising.files import toml_text
from daq.recognising.framings import parse_framing
from daq.recognising.heard import Heard, judge_heard
from daq.recognising.lines import OVERRANGE_WORDS, pattern_for
from tests.fuzz.witnesses import figure_in, numbers_written, text_in

_CONFIGS = Path(__file__).parents[2] / "configs"
_WHOLE = 0xFF
"""First byte of an input that is a whole text by itself."""
_MANY = re.compile(rb"~(.)([1-4])", re.DOTALL)
_MOST_SAID = 20_000
_MOST_SAID_OF_ONE = 1500
_SPEED = 1.0


@cache
def _shipped(pattern: str) -> tuple[str, ...]:
    return tuple(
        path.read_text(encoding="utf-8") for path in sorted(_CONFIGS.glob(pattern))
    )


def edited(script: bytes, texts: tuple[str, ...]) -> str | None:
    """A text with edits, or a whole text; None where the bytes are no UTF-8.

    In both `~` with a character and a digit n stands for 10^n of that character.
    """
    if not script:
        return None
    spelt = _MANY.sub(lambda match: match[1] * 10 ** int(match[2]), script[1:])
    try:
        text = spelt.decode("utf-8")
    except UnicodeDecodeError:
        return None
    if script[0] == _WHOLE:
        return text
    lines = texts[script[0] % len(texts)].split("\n")
    for edit in text.split("\n"):
        _edit(lines, edit)
    return "\n".join(lines)


def _edit(lines: list[str], edit: str) -> None:
    """Line (its number as a character), action, text."""
    if len(edit) < 2:
        return
    place, action, text = ord(edit[0]) % len(lines), edit[1], edit[2:]
    key, equals, value = lines[place].partition("=")
    edits: dict[str, Callable[[], str]] = {
        "=": lambda: f"{key}{equals} {text}",
        "k": lambda: f"{text}{equals}{value}",
        "i": lambda: f"{text}\n{lines[place]}",
        "d": lambda: "",
        "r": lambda: text,
        "2": lambda: f"{lines[place]}\n{lines[place]}",
    }
    if action in edits:
        lines[place] = edits[action]()


def check_faults(refused: ConfigurationError, text: str) -> None:
    """What is said of a file is bounded, can be shown anywhere, and points into the file."""
    assert refused.faults
    assert len(str(refused)) <= _MOST_SAID, f"{len(str(refused))} characters said"
    for fault in refused.faults:
        said = str(fault)
        assert said.isprintable(), f"obeyed by a terminal: {said!r}"
        assert len(said) <= _MOST_SAID_OF_ONE, f"{len(said)} characters of one fault"
        assert 1 <= fault.line <= text.count("\n") + 1
        assert fault.problem


def profile_file(script: bytes) -> None:
    """A meter's description: refused with all its faults, or a protocol that can be talked to."""
    text = edited(script, _shipped("profiles/*.toml"))
    if text is None:
        return
    try:
        parse_profile(text, file="profile.toml")
        bench = parse_bench(_LONE_BENCH, file="bench.toml", find_profile=lambda _: ("profile.toml", text))  # fmt: skip
    except ConfigurationError as refused:
        check_faults(refused, text + _LONE_BENCH)
        return
    _talk_to(bench)


_LONE_BENCH = """\
format = 1
name = "bench"
[[instrument]]
name = "meter"
profile = "profile"
port = "port"
"""
_REPLIES = (b"1,2,3\r\n", b"\x01\x03\x02\x00\x01\x79\x84", b"\xaa\x55" + bytes(64))


def _talk_to(bench: Bench) -> None:
    """Whatever a bench was taken for, its protocols must hold."""
    for instrument in bench.instruments:
        char_s = character_time_s(instrument.port.baud, 8, "N", 1)
        assert char_s > 0.0
        protocol = instrument.make_protocol(speed=_SPEED)
        at = 1000.0
        for reply in _REPLIES:
            protocol.query(at)
            protocol.feed(reply, at + 0.01)
            at = protocol.deadline or at + 1.0
            assert math.isfinite(at)
            protocol.feed(b"", at)
            while protocol.next_reading() is not None:
                pass


def bench_file(script: bytes) -> None:
    """A bench: refused with all its faults, or channels that have what a channel needs."""
    text = edited(script, _shipped("*/bench.toml"))
    if text is None:
        return
    try:
        bench = parse_bench(text, file="bench.toml", find_profile=_profile, shipped=("vane",))  # fmt: skip
    except ConfigurationError as refused:
        check_faults(refused, text)
        return
    names = [channel.name for channel in bench.channels]
    assert len(names) == len(set(names))
    assert all(channel.interval_s > 0.0 for channel in bench.channels)
    _talk_to(bench)


def _profile(name: str) -> tuple[str, str] | None:
    path = _CONFIGS / "profiles" / f"{name}.toml"
    known = {each.stem: each for each in (_CONFIGS / "profiles").glob("*.toml")}
    return (path.name, _read(known[name])) if name in known else None


@cache
def _read(path: Path) -> str:
    return path.read_text(encoding="utf-8")


@cache
def _bench_of_plans() -> Bench:
    text = _read(_CONFIGS / "leads" / "bench.toml")
    return parse_bench(text, file="bench.toml", find_profile=_profile)


def plan_file(script: bytes) -> None:
    """A plan: refused with all its faults, or an order of trials that begins with what is planned."""
    text = edited(script, _shipped("*/plan.toml"))
    if text is None:
        return
    for parse in (
        lambda: check_plan_alone(text, file="plan.toml"),
        lambda: _use_plan(text),
    ):
        try:
            parse()
        except ConfigurationError as refused:
            check_faults(refused, text)


def _use_plan(text: str) -> None:
    plan = parse_plan(text, file="plan.toml", bench=_bench_of_plans())
    order = plan.order(1)
    assert {trial.condition for trial in order} == {*plan.instructions}
    assert len(order) <= 100_000


# ---- delimited text


def meter_log(content: bytes) -> None:
    """A log in columns: refused in one line that says where, or numbers that stand in it."""
    content = _MANY.sub(lambda match: match[1] * 10 ** int(match[2]), content)
    try:
        log = parse_log(content, source="log.csv")
    except InputError as refused:
        said = str(refused)
        assert said.startswith("log.csv")
        assert said.isprintable(), f"obeyed by a terminal: {said!r}"
        assert len(said) <= _MOST_SAID_OF_ONE
        return
    assert len(log.times_s) == len(log.values) >= 2
    assert all(map(math.isfinite, log.times_s))
    assert list(log.times_s) == sorted(log.times_s)
    written = numbers_written(text_in(content))
    missing = [value for value in log.values if value not in written]
    assert not missing, f"a value that is nowhere in the file: {missing[0]}"
    assert f"{log.time_column}{log.value_column}".isprintable()
    assert math.isfinite(log.smallest_step)
    assert log.smallest_step > 0.0


# ---- lines of an unknown meter


def heard_lines(script: bytes) -> None:
    """What a stranger sends: if it is taken for lines of one shape, the pattern made of them reads what they say."""
    data = _MANY.sub(lambda match: match[1] * 10 ** int(match[2]), script)
    guess = judge_heard(Heard(parse_framing(9600, "8N1"), data))
    assert 0.0 <= guess.confidence <= 1.0
    assert all(reason.isprintable() for reason in guess.reasons)
    shape = guess.shape
    if shape is None or not guess.is_accepted:
        return
    names = {column.number: f"c{column.number}" for column in shape.columns}
    pattern = re.compile(pattern_for(shape, names), re.ASCII)
    match = pattern.fullmatch(shape.example)
    assert match is not None, f"{pattern.pattern!r} does not take {shape.example!r}"
    for column in shape.columns:
        shown = match[names[column.number]]
        assert shown == column.shown
        assert shown in OVERRANGE_WORDS or _is_number(shown)
    assert toml_text(pattern.pattern).isprintable()


def _is_number(text: str) -> bool:
    try:
        figure_in(text)
    except ValueError:
        return False
    return True
