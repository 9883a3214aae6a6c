"""What `daq new` has to know: from options, from questions at the terminal, or as is usual."""

import argparse
import re
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from daq.cli.imported_columns import WantedColumn
from daq.cli.new_by_eye import read_by_eye
from daq.cli.new_logs import read_columns
from daq.errors import InputError
from daq.printable import as_it_looks, is_shown_as_it_is
from daq.starting_files import Kind, Meter, MeterByEye, names_taken, place_meters
from daq.starting_files.strings import toml_string
from daq.units import UNITS

Ask = Callable[[str], str]
"""Shows a question and gives the answer; EOFError where none comes any more."""

_T = TypeVar("_T")
_LONGEST_NAME = 80
_MOST_METERS = 16
_DIAMETERS_MM = (1.0, 5000.0)
_USUAL_METERS: Mapping[Kind, str] = {
    Kind.LEADS: "ac-meter-float,ac-meter-float,vane-anemometer-stream",
    Kind.FILTERS: "power-analyser-query,duct-velocity-scaled",
    Kind.HOSES: "power-analyser-query,vane-anemometer-stream",
}
_USUAL_CONDITIONS: Mapping[Kind, tuple[str, ...]] = {
    Kind.LEADS: ("at the outlet", "1.5 mm2, 25 m"),
    Kind.FILTERS: ("no filter", "new filter"),
    Kind.HOSES: ("no hose", "hose"),
}
_USUAL_MACHINE = "Machine under test"
_USUAL_COLUMN = "Power=power:W:machine end"
_LOGS = "logs"
"""In place of meters: they keep logs, and none is read over a line."""


@dataclass(frozen=True, slots=True)
class Answers:
    """All that the files need; without `diameter_mm` [mm] the bench says what to measure.

    Where there are columns of logs, there are no meters, and no bench.
    """

    kind: Kind
    machine: str
    meters: tuple[str, ...]
    by_eye: tuple[MeterByEye, ...]
    conditions: tuple[str, ...]
    diameter_mm: float | None
    columns: tuple[WantedColumn, ...] = ()


def answers_from(
    options: argparse.Namespace, profiles: Mapping[str, Meter], ask: Ask | None
) -> Answers:
    """What the options say; the rest is asked for, or as usual under --yes.

    Args:
        options: Of the command line.
        profiles: Shipped meters by name.
        ask: Asks at the terminal; None where there is none.

    Raises:
        InputError: If something makes no sense, or is missing with nobody to ask.
    """
    _refuse_what_contradicts(options)
    asking = _Asking(options, None if options.yes else ask)
    if not options.yes and ask is None:
        _refuse_what_is_missing(options)
    kind = asking.settle(
        options.kind, _KIND_QUESTION, read=_kind, usual=Kind.LEADS.value, name="--kind"
    )
    machine = asking.settle(
        options.machine,
        "What is tested?",
        read=_named,
        usual=_USUAL_MACHINE,
        name="--machine",
    )
    meters = asking.settle(
        _LOGS if options.logs else options.meters,
        _meter_question(profiles),
        read=lambda text: _meters(text, profiles),
        usual=_USUAL_METERS[kind],
        name="--meters",
    )
    if not meters:
        columns = asking.columns(names_taken(()))
        conditions = asking.conditions(_USUAL_CONDITIONS[kind])
        return Answers(kind, machine, (), (), conditions, None, columns)
    placed = place_meters([profiles[m] for m in meters], kind, [])
    by_eye = asking.by_eye(names_taken(placed))
    conditions = asking.conditions(_USUAL_CONDITIONS[kind])
    quantities = {UNITS[meter.unit].quantity for meter in by_eye}
    quantities = quantities.union(*(profiles[m].quantities for m in meters))
    has_velocity = "velocity" in quantities
    diameter_mm = asking.diameter_mm() if has_velocity else options.diameter_mm
    return Answers(kind, machine, meters, by_eye, conditions, diameter_mm)


def _refuse_what_is_missing(options: argparse.Namespace) -> None:
    what = "column" if options.logs else "meters"
    wanted = ("kind", "machine", what, "conditions")
    missing = [f"--{name}" for name in wanted if getattr(options, name) is None]
    if missing:
        msg = f"{', '.join(missing)} missing and no terminal to ask at, say them, or --yes for what is usual"
        raise InputError(msg)


def _refuse_what_contradicts(options: argparse.Namespace) -> None:
    """Logs alone have no use for what a bench says, nor a bench for columns of logs."""
    names = ("meters", "typed", "diameter_mm") if options.logs else ("column",)
    where = "not with --logs, leave one out" if options.logs else "only with --logs"
    for name in names:
        if getattr(options, name) is not None:
            msg = f"--{name.replace('_', '-')}: {where}"
            raise InputError(msg)


class _Asking:
    """Takes options as they are, asks for the rest, and asks again where an answer makes no sense."""

    def __init__(self, options: argparse.Namespace, ask: Ask | None) -> None:
        self._options = options
        self._ask = ask

    def settle(
        self,
        option: str | None,
        question: str,
        *,
        read: Callable[[str], _T],
        usual: str,
        name: str,
    ) -> _T:
        """One answer; an empty one takes what is usual."""
        if option is not None:
            return _read_option(name, lambda: read(option))
        if self._ask is None:
            return read(usual)
        hint = ""
        while True:
            text = self._asked(f"{hint}{question} [{usual}] ")
            try:
                return read(text or usual)
            except ValueError as exc:
                hint = f"{exc}.\n"

    def conditions(self, usual: tuple[str, ...]) -> tuple[str, ...]:
        """Names of the conditions, one a line where they are asked for."""
        option = self._options.conditions
        if option is not None:
            return _read_option("--conditions", lambda: _conditions(_parted(option)))
        if self._ask is None:
            return usual
        hint = ""
        while True:
            names = self._lines(hint + _CONDITIONS_QUESTION.format(usual=usual))
            try:
                return _conditions(names or usual)
            except ValueError as exc:
                hint = f"{exc}.\n"

    def columns(self, taken: Collection[str]) -> tuple[WantedColumn, ...]:
        """Columns of logs, one a line where they are asked for."""
        option: Sequence[str] | None = self._options.column
        if option is not None:
            return _read_option("--column", lambda: read_columns(option, taken))
        if self._ask is None:
            return read_columns([_USUAL_COLUMN], taken)
        hint = ""
        while True:
            texts = self._lines(hint + _COLUMNS_QUESTION)
            try:
                return read_columns(texts or [_USUAL_COLUMN], taken)
            except ValueError as exc:
                hint = f"{exc}.\n"

    def by_eye(self, taken: Collection[str]) -> tuple[MeterByEye, ...]:
        """Meters without a port, one a line where meters are asked for; none is usual."""
        option: Sequence[str] | None = self._options.typed
        if option is not None:
            return _read_option("--typed", lambda: read_by_eye(option, taken))
        if self._ask is None or self._options.meters is not None:
            return ()
        hint = ""
        while True:
            texts = self._lines(hint + _BY_EYE_QUESTION)
            try:
                return read_by_eye(texts, taken)
            except ValueError as exc:
                hint = f"{exc}.\n"

    def diameter_mm(self) -> float | None:
        """Diameter [mm], or None where it is not known yet."""
        if self._options.diameter_mm is not None or self._ask is None:
            known: float | None = self._options.diameter_mm
            return known
        hint = ""
        while True:
            text = self._asked(hint + _DIAMETER_QUESTION)
            try:
                return diameter_mm(text) if text else None
            except ValueError as exc:
                hint = f"{exc}.\n"

    def _lines(self, question: str) -> list[str]:
        names: list[str] = []
        while text := self._asked(question):
            names.append(text)
            question = f"  {len(names) + 1}: "
        return names

    def _asked(self, question: str) -> str:
        if self._ask is None:
            msg = "nobody to ask"
            raise ValueError(msg)
        try:
            return self._ask(question).strip()
        except EOFError as exc:
            msg = "the questions were not answered and nothing was written, answer them or use options (daq new --help)"
            raise InputError(msg) from exc


# ---- questions

_KIND_QUESTION = "What changes from condition to condition: leads, filters or hoses?"
_CONDITIONS_QUESTION = """\
The conditions, one a line, the baseline first; for a lead say size and length, like {usual[1]!r}. An empty line ends;
nothing at all takes {usual[0]!r} and {usual[1]!r}.
  1: """
_COLUMNS_QUESTION = f"""\
The columns of the log files that you want, one a line: the column's name in its file, a name for its channel, unit and place,
like "{_USUAL_COLUMN}" (2/Power of the second file where two have a Power). An empty line ends; nothing at all takes that one.
  1: """
_BY_EYE_QUESTION = """\
A meter without a port, whose display you read and type? Name, unit and smallest step of the display, like
inlet_pressure:Pa:1, one a line. An empty line ends; nothing at all if there is none.
  1: """
_DIAMETER_QUESTION = (
    "Inner diameter of the round duct where the air is measured, in mm? [not known] "
)


def _meter_question(profiles: Mapping[str, Meter]) -> str:
    listed = "\n".join(
        f"  {number:>2}  {name:<28} {meter.title}"
        for number, (name, meter) in enumerate(profiles.items(), start=1)
    )
    return (
        f"Meters that are known:\n{listed}\nWhich do you have? Numbers or names parted by commas, one a meter;"
        " of two electrical meters the one at the supply's end first. If none is on a line and all write log files,"
        f" {_LOGS}."
    )


# ---- what is typed


def diameter_mm(text: str) -> float:
    """A diameter [mm].

    Raises:
        ValueError: With what was expected.
    """
    low, high = _DIAMETERS_MM
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not low <= value <= high:
        msg = f"got {text!r}, expected a diameter from {low:g} to {high:g} mm"
        raise ValueError(msg)
    return value


def _read_option(name: str, read: Callable[[], _T]) -> _T:
    try:
        return read()
    except ValueError as exc:
        msg = f"{name}: {exc}"
        raise InputError(msg) from exc


def _kind(text: str) -> Kind:
    alike = [kind for kind in Kind if kind.value.startswith(text.strip().casefold())]
    if not text.strip() or len(alike) != 1:
        msg = f"got {text!r}, expected {', '.join(kind.value for kind in Kind)}"
        raise ValueError(msg)
    return alike[0]


def _named(text: str) -> str:
    name = text.strip()
    if not name:
        msg = "empty, expected a name"
        raise ValueError(msg)
    toml_string(name)
    if not is_shown_as_it_is(name):
        msg = f"got {name!r}, expected one line without control characters, marks that turn the direction of writing or characters that nobody sees"
        raise ValueError(msg)
    return name


def _meters(text: str, profiles: Mapping[str, Meter]) -> tuple[str, ...]:
    """Names of profiles; none where all meters keep logs."""
    if text.strip() == _LOGS:
        return ()
    names = [part.strip() for part in text.split(",") if part.strip()]
    if not 1 <= len(names) <= _MOST_METERS:
        msg = f"got {len(names)} meters, expected 1 to {_MOST_METERS}"
        raise ValueError(msg)
    return tuple(_meter(name, profiles) for name in names)


def _meter(name: str, profiles: Mapping[str, Meter]) -> str:
    known = list(profiles)
    if name.isascii() and name.isdecimal() and 1 <= int(name) <= len(known):
        return known[int(name) - 1]
    if name not in profiles:
        msg = f"no profile {name!r}, expected some of {', '.join(known)}"
        raise ValueError(msg)
    return name


def _parted(texts: Sequence[str]) -> list[str]:
    """At commas, but for those within a name (a blank behind) and within a number."""
    return [part for text in texts for part in re.split(r",(?!\s)(?!(?<=\d,)\d)", text)]


def _conditions(texts: Sequence[str]) -> tuple[str, ...]:
    names = [_named(text) for text in texts]
    if len(names) < 2:
        msg = (
            f"got {len(names)}, expected at least two: the baseline and what is held against it, parted by a comma"
            " with no blank behind"
        )
        raise ValueError(msg)
    looks = [as_it_looks(name) for name in names]
    if twice := next(
        (n for n, look in zip(names, looks, strict=True) if looks.count(look) > 1), None
    ):
        msg = f"{twice!r} more than once, expected each condition once"
        raise ValueError(msg)
    if long := next((n for n in names if len(n) > _LONGEST_NAME), None):
        msg = f"{long[:20]!r}… has {len(long)} characters, expected at most {_LONGEST_NAME}"
        raise ValueError(msg)
    return tuple(names)
