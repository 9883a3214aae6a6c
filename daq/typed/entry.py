"""What was typed as a reading: the number in it, and what looks like a slip of the finger.

A slip is questioned, never mended: the operator says whether the display shows just that. Refused is only what is no number,
and what the meter cannot show by its stated range.
"""

import math
import re
import statistics
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from daq.stats import sample_std_dev, student_t_quantile

_NUMBER = re.compile(r"([+-]?)(\d*)(?:([.,])(\d*))?", re.ASCII)
_LONGEST = 20
_MINUS_SIGN = "\N{MINUS SIGN}"

_NEIGHBOUR_DECADE = 0.12
_EARLIER_DECADE = 0.3
"""So near a power of ten a ratio has to lie to be a slip of the point: log10, among readings of one trial and of others [1]."""

_NEAR_SHARE = 0.02
_FAR_SHARE = 0.15
"""Readings of a settled machine lie within the one of each other; beyond the other something was misread [1].

That is all that can be said before there are readings enough to tell how far this machine's lie from each other.
"""

_TELLING_READINGS = 3
"""From so many on, none of them far from the others, their own scatter says what the next one may be [1]."""

_NEAR_LEVEL, _FAR_LEVEL = 0.97, 0.9975
"""Share of right readings that lies within what the scatter allows [1].

A swap of digits is asked about from the lower one on: few right readings can be explained by a swap as well.
"""

_NEAR_STEPS, _FAR_STEPS = 3.0, 8.0
_NEAR_SPREADS, _FAR_SPREADS = 1.0, 4.0
"""The same in steps of the display, and in the usual spread of the readings before [1]: the largest of the three holds."""

_HAIR = 1e-6
"""Of a step: what decimal figures are off by in binary [1]."""

_SPREAD_PER_DEVIATION = 2.0 * 1.4826
"""Two standard deviations of a normal law, by the median of the deviations from the median [1]: one stray does not widen it."""

_STRAY_FARS = 2.0
"""A reading so many times as far off as the doubted ones is told beside the average [1]."""

_MUCH_NEARER = 3.0
"""A figure with two digits swapped must come so many times nearer, or chance would do [1]."""

_TELLING_STEPS = 10.0
"""Below so many steps of the display nothing is said of ratios [1]."""


@dataclass(frozen=True, slots=True)
class Display:
    """The display of a meter that is read by eye.

    Attributes:
        channel: Name of the channel.
        resolution: Its smallest step [unit of the channel].
        low, high: Readings beyond cannot be; None where that is not stated [unit of the channel].
        full_scale: End of the range; None where that is not stated [unit of the channel].
    """

    channel: str
    resolution: float
    low: float | None = None
    high: float | None = None
    full_scale: float | None = None

    @property
    def decimals(self) -> int:
        """Digits behind the point that it shows [1]."""
        return max(0, math.ceil(-math.log10(self.resolution) - 1e-9))

    def shown(self, value: float) -> str:
        """A value as it shows it."""
        return f"{value:z.{self.decimals}f}"


@dataclass(frozen=True, slots=True)
class Entry:
    """A number as it was typed.

    Attributes:
        text: Without blanks, with a point.
        value: [unit of the channel].
        decimals: Digits that were typed behind the point [1].
        has_comma: Its point was typed as a comma.
    """

    text: str
    value: float
    decimals: int
    has_comma: bool


def parse_entry(text: str, display: Display) -> Entry:
    """The number that was typed.

    Raises:
        ValueError: If it is no number, or beyond the range of the meter.
    """
    plain = text.replace(_MINUS_SIGN, "-").strip()
    found = _NUMBER.fullmatch(plain[:_LONGEST]) if len(plain) <= _LONGEST else None
    if found is None or not (found[2] or found[4]):
        msg = f"got {text[:_LONGEST]!r}, expected a number as the display shows it, like {display.shown(12.3)}"
        raise ValueError(msg)
    sign, whole, point, decimals = found.groups(default="")
    written = f"{sign}{whole or '0'}{'.' if decimals else ''}{decimals}"
    value = float(written)
    if display.low is not None and value < display.low:
        msg = f"got {written}, expected at least {display.low:g}: the meter shows nothing below"
        raise ValueError(msg)
    if display.high is not None and value > display.high:
        msg = f"got {written}, expected at most {display.high:g}: the meter shows nothing above"
        raise ValueError(msg)
    return Entry(written, value, len(decimals), point == ",")


def doubts_about(
    entry: Entry,
    display: Display,
    *,
    neighbours: Sequence[float] = (),
    earlier: Sequence[float] = (),
) -> tuple[str, ...]:
    """What makes it look like a slip of the finger; empty where nothing does.

    Args:
        entry: As typed.
        display: Of the meter.
        neighbours: Readings of the same trial [unit of the channel].
        earlier: Averages of the channel's other trials [unit of the channel].
    """
    return (
        *_by_the_display(entry, display),
        *_by_the_others(entry, display, neighbours, earlier),
    )


def _by_the_display(entry: Entry, display: Display) -> Iterator[str]:
    if entry.has_comma and entry.decimals == 3 and display.decimals != 3:
        thousands = entry.text.replace(".", "")
        yield f"its comma was taken for a decimal point, {thousands} may have been meant"
    elif entry.decimals > display.decimals:
        typed = "1 decimal" if entry.decimals == 1 else f"{entry.decimals} decimals"
        yield f"it has {typed}, the display shows {display.decimals or 'none'}"
    elif not _is_on_a_step(entry.value, display.resolution):
        yield f"the display goes in steps of {display.resolution:g}"
    if display.full_scale is not None and abs(entry.value) > display.full_scale:
        yield f"it is beyond the end of the range, {display.full_scale:g}"


def _is_on_a_step(value: float, step: float) -> bool:
    steps = value / step
    return abs(steps - round(steps)) < _HAIR * max(1.0, abs(steps))


@dataclass(frozen=True, slots=True)
class _Usual:
    """What a reading is held against.

    Attributes:
        value: In the middle of them [unit of the channel].
        spread: By which they differ among themselves, a stray left out [unit of the channel].
        decade: As `_NEIGHBOUR_DECADE` [1].
        words: What they are.
        readings: Of the same trial, from which it was taken [unit of the channel]; none where it is of other trials.
    """

    value: float
    spread: float
    decade: float
    words: str
    readings: tuple[float, ...] = ()

    def near(self, display: Display) -> float:
        """Within this of each other readings pass for the same [unit of the channel]."""
        share, steps = _NEAR_SHARE * abs(self.value), _NEAR_STEPS * display.resolution
        return max(share, steps, _NEAR_SPREADS * self.spread)

    def near_by_scatter(self, display: Display) -> float:
        """A right reading is hardly further off [unit of the channel]."""
        agreeing = self._agreeing(display)
        if len(agreeing) < _TELLING_READINGS:
            return self.near(display)
        return _allowed_off(agreeing, _NEAR_LEVEL, display)

    def far(self, display: Display) -> float:
        """What is further off is no reading of a settled machine, whatever its scatter [unit of the channel]."""
        share, steps = _FAR_SHARE * abs(self.value), _FAR_STEPS * display.resolution
        return max(share, steps, _FAR_SPREADS * self.spread)

    def is_far(self, value: float, display: Display) -> bool:
        """Whether a value is no reading of this machine as it runs now, by the scatter where that is known."""
        far, agreeing = self.far(display), self._agreeing(display)
        if len(agreeing) < _TELLING_READINGS:
            return abs(value - self.value) > far
        allowed = _allowed_off(agreeing, _FAR_LEVEL, display)
        # A machine that goes to and fro between two states comes back to a level that was confirmed before.
        confirmed = (
            each
            for each in self.readings
            if each not in agreeing and abs(each - self.value) <= far
        )
        return all(abs(value - each) > allowed for each in (self.value, *confirmed))

    def _agreeing(self, display: Display) -> list[float]:
        """Readings without confirmed slips: a large one, or one that the others would not have let pass."""
        far = self.far(display)
        near = [each for each in self.readings if abs(each - self.value) <= far]
        near.sort(key=lambda each: abs(each - self.value))
        *rest, last = near or [self.value]
        if len(rest) < _TELLING_READINGS:
            return near
        off = abs(last - statistics.median(rest))
        return rest if off > _allowed_off(rest, _FAR_LEVEL, display) else near


def _allowed_off(readings: Sequence[float], level: float, display: Display) -> float:
    """How far off one more reading may be by the scatter of some [unit of the channel], at least some steps.

    Half the prediction interval of a normal law whose deviation s is known from n readings: t(n - 1) s sqrt(1 + 1/n).
    """
    count = len(readings)
    quantile = student_t_quantile(0.5 + 0.5 * level, count - 1)
    half = quantile * sample_std_dev(readings) * math.sqrt(1.0 + 1.0 / count)
    # A reading just so many steps off is allowed, however its decimals are rounded.
    return max(half, (_NEAR_STEPS + _HAIR) * display.resolution)


def _by_the_others(
    entry: Entry,
    display: Display,
    neighbours: Sequence[float],
    earlier: Sequence[float],
) -> Iterator[str]:
    """The first doubt that the readings of this trial raise; those of other trials where there are none yet."""
    if _contradict_each_other(neighbours, display):
        first, second = map(display.shown, neighbours)
        yield f"the readings before it, {first} and {second}, are far from each other"
    elif neighbours:
        usual = _usual_of(neighbours, display)
        words = usual.words
        yield from _first_of(
            _times_ten(entry, display, usual),
            _swapped(entry, display, usual, neighbours),
            f"it is far from {words}" if usual.is_far(entry.value, display) else None,
        )
    elif earlier:
        value = statistics.median(earlier)
        words = f"this channel's other trials, about {display.shown(value)}"
        usual = _Usual(value, 0.0, _EARLIER_DECADE, words)
        yield from _first_of(
            _times_ten(entry, display, usual), _swapped(entry, display, usual, earlier)
        )


def strays_among(values: Sequence[float], display: Display) -> tuple[float, ...]:
    """Readings of one trial that are far from its others, as they came [unit of the channel]; none of fewer than three.

    To be asked once too often does little harm, a note stays: twice as far as what is doubted, and never by the scatter
    alone, or the second state of a machine that has two would be told as misread.
    """
    if len(values) < 3:
        return ()
    others = [(*values[:place], *values[place + 1 :]) for place in range(len(values))]
    usual = [_usual_of(each, display) for each in others]
    return tuple(
        value
        for value, each in zip(values, usual, strict=True)
        if abs(value - each.value) > _STRAY_FARS * each.far(display)
    )


def _usual_of(readings: Sequence[float], display: Display) -> _Usual:
    """Of readings of the same trial."""
    value = statistics.median(readings)
    deviation = statistics.median(abs(each - value) for each in readings)
    words = f"the readings before it, about {display.shown(value)}"
    spread = _SPREAD_PER_DEVIATION * deviation
    return _Usual(value, spread, _NEIGHBOUR_DECADE, words, tuple(readings))


def _contradict_each_other(readings: Sequence[float], display: Display) -> bool:
    """Of two readings that are far apart nobody can tell yet which one is the slip."""
    if len(readings) != 2:
        return False
    first, second = readings
    usual = _usual_of([first], display)
    return abs(second - first) > usual.far(display)


def _first_of(*doubts: str | None) -> list[str]:
    return [doubt for doubt in doubts if doubt is not None][:1]


def _times_ten(entry: Entry, display: Display, usual: _Usual) -> str | None:
    least = display.resolution
    if abs(usual.value) < _TELLING_STEPS * least or abs(entry.value) < 0.5 * least:
        return None
    exponent = math.log10(abs(entry.value / usual.value))
    power = round(exponent)
    if power == 0 or abs(exponent - power) > usual.decade:
        return None
    factor = f"{10 ** abs(power)} times {'' if power > 0 else 'less than '}".rstrip()
    meant = display.shown(entry.value / 10.0**power)
    return f"it is about {factor} {usual.words}: {meant} may have been meant"


def _swapped(
    entry: Entry, display: Display, usual: _Usual, others: Sequence[float]
) -> str | None:
    """Two neighbouring digits that were changed over, where that alone explains how far it is off."""
    near, off = (
        usual.near(display),
        min(abs(entry.value - each) for each in others),
    )
    if off <= usual.near_by_scatter(display):
        return None
    for text in _with_two_digits_swapped(entry.text):
        left = min(abs(float(text) - each) for each in others)
        if left <= min(near, off / _MUCH_NEARER):
            return f"it is off from {usual.words}, and two digits may be swapped: {text} may have been meant"
    return None


def _with_two_digits_swapped(text: str) -> Iterator[str]:
    places = [index for index, letter in enumerate(text) if letter.isdigit()]
    for first, second in pairwise(places):
        letters = list(text)
        letters[first], letters[second] = letters[second], letters[first]
        if letters != list(text):
            yield "".join(letters)
