"""Readings about a trial's switch-on and switch-off, from which a lead's resistance follows, and how stretches are cut out.

Values are in SI units, times are those of the trial's own clock. Knows meters and moments, no lead and no verdict.
"""

import statistics
from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from daq.comparison.roles import best_set
from daq.records import Channel

_LONGEST_PAUSE_S = 10.0
"""A voltmeter that was silent for longer may have been unplugged meanwhile [s]."""
_DEAD_SHARE = 0.5
"""Below this share of the loaded voltage nothing is connected [1]."""
_LOADED_SHARE = 0.5
"""Above this share of the last current the machine counts as on [1]."""


_QUANTITIES = frozenset({"voltage", "current", "power", "power factor"})


def tells_of_a_lead(channel: Channel) -> bool:
    """Whether a channel's readings go into a lead's resistance."""
    if channel.quantity == "temperature":
        return channel.place == "room"
    return channel.quantity in _QUANTITIES


@dataclass(frozen=True, slots=True)
class Stretch:
    """Readings of one channel in order of time.

    Attributes:
        times_s: When they were true [s].
        values: [SI unit].
    """

    times_s: tuple[float, ...] = ()
    values: tuple[float, ...] = ()

    def between(self, start_s: float, end_s: float) -> "Stretch":
        """Those from one moment to another, both included."""
        first = bisect_left(self.times_s, start_s)
        end = bisect_right(self.times_s, end_s)
        return Stretch(self.times_s[first:end], self.values[first:end])

    @property
    def mean(self) -> float:
        """Plain mean [SI unit].

        Raises:
            statistics.StatisticsError: If there is no reading.
        """
        return statistics.fmean(self.values)

    def __len__(self) -> int:
        return len(self.values)


NOTHING = Stretch()


@dataclass(frozen=True, slots=True)
class TrialEdges:
    """What was read about the switching of one trial.

    Attributes:
        trial: Number in the store.
        condition: What was fitted.
        on_s: Switch-on [s].
        off_s: Switch-off [s].
        channels: As they were described then; those of voltage, current, power, power factor, and the room's temperature.
        readings: By name of the channel: from at most a minute before switch-on until half a minute after it, and from a
            minute before switch-off until half a minute after that; none that belongs to another trial.
        second_choice: Names of channels that were typed or imported.
    """

    trial: int
    condition: str
    on_s: float
    off_s: float
    channels: tuple[Channel, ...]
    readings: Mapping[str, Stretch]
    second_choice: Collection[str] = field(default=())

    def of(self, channel: Channel) -> Stretch:
        """Readings of a channel; none where it has none."""
        return self.readings.get(channel.name, NOTHING)

    def find(self, quantity: str, *places: str) -> Channel | None:
        """The first channel of a quantity with readings at one of the places, the bench's own before others."""
        found = self.best([c] for c in self.at(quantity, *places))
        return found[0] if found else None

    def at(self, quantity: str, *places: str) -> list[Channel]:
        """Channels of a quantity with readings at one of the places, the places in their order."""
        there = [c for c in self.channels if c.quantity == quantity and self.of(c)]
        return [c for place in dict.fromkeys(places) for c in there if c.place == place]

    def best(self, sets: Iterable[Sequence[Channel]]) -> Sequence[Channel] | None:
        """The set of channels that is taken together; None where there is none."""
        return best_set(sets, self.second_choice)


@dataclass(frozen=True, slots=True)
class Pairs:
    """Two voltmeters at the same moments.

    Attributes:
        times_s: Of the second one's readings [s].
        first: The first one's, between its readings [V].
        second: [V].
    """

    times_s: tuple[float, ...]
    first: tuple[float, ...]
    second: tuple[float, ...]

    @property
    def differences(self) -> list[float]:
        """First less second [V]."""
        return [a - b for a, b in zip(self.first, self.second, strict=True)]

    def __len__(self) -> int:
        return len(self.times_s)


def pair(first: Stretch, second: Stretch) -> Pairs:
    """Two voltmeters at the moments of the second one's readings, so that what the supply does meanwhile falls out."""
    found = []
    for at_s, value in zip(second.times_s, second.values, strict=True):
        after = bisect_left(first.times_s, at_s)
        if after < len(first) and first.times_s[after] == at_s:
            found.append((at_s, first.values[after], value))
        elif 0 < after < len(first):
            t0, t1 = first.times_s[after - 1 : after + 1]
            if t1 - t0 <= _LONGEST_PAUSE_S:
                share = (at_s - t0) / (t1 - t0)
                v0, v1 = first.values[after - 1 : after + 1]
                found.append((at_s, v0 + share * (v1 - v0), value))
    if not found:
        return Pairs((), (), ())
    return Pairs(*map(tuple, zip(*found, strict=True)))


def connected(stretch: Stretch, voltage_v: float, *, from_the_end: bool) -> Stretch:
    """The readings next to a switching during which a voltmeter stayed connected.

    Args:
        stretch: With the machine off.
        voltage_v: What it reads under load.
        from_the_end: The switching is after the stretch, not before it.
    """
    items = list(zip(stretch.times_s, stretch.values, strict=True))
    if from_the_end:
        items.reverse()
    kept: list[tuple[float, float]] = []
    for at_s, value in items:
        paused = kept and abs(at_s - kept[-1][0]) > _LONGEST_PAUSE_S
        if paused or value < _DEAD_SHARE * voltage_v:
            break
        kept.append((at_s, value))
    if from_the_end:
        kept.reverse()
    return Stretch(tuple(t for t, _ in kept), tuple(v for _, v in kept))


def loaded_until_s(current: Stretch, off_s: float) -> float | None:
    """When the machine was certainly still on [s]: the last reading before switch-off that shows its current."""
    before = current.between(off_s - 60.0, off_s)
    if not len(before):
        return None
    usual = _LOADED_SHARE * statistics.median(before.values)
    loaded = [
        t for t, v in zip(before.times_s, before.values, strict=True) if v > usual > 0.0
    ]
    return loaded[-1] if loaded else None


def block_mean(stretch: Stretch, start_s: float, end_s: float) -> float | None:
    """Mean of the readings from one moment to another; None where there are fewer than three."""
    inside = stretch.between(start_s, end_s)
    return inside.mean if len(inside) >= 3 else None


def differences_over(
    stretch: Stretch, *, block_s: float, lag_s: float
) -> Sequence[float]:
    """By how much means over a block differ from those a lag later, with nothing switched: what a supply does by itself.

    Args:
        stretch: Of one voltmeter, the machine all on or all off.
        block_s: Length of a block [s].
        lag_s: From a block's start to that of the other [s].
    """
    if not len(stretch):
        return ()
    start_s, end_s = stretch.times_s[0], stretch.times_s[-1]
    found: list[float] = []
    while start_s + lag_s + block_s <= end_s:
        before = block_mean(stretch, start_s, start_s + block_s)
        after = block_mean(stretch, start_s + lag_s, start_s + lag_s + block_s)
        if before is not None and after is not None:
            found.append(after - before)
        start_s += block_s
    return found


def is_steady(stretch: Stretch, *, share: float) -> bool:
    """Whether readings stay within a share of their mean from one to the next and from end to end."""
    if len(stretch) < 3:
        return False
    limit = share * abs(stretch.mean)
    steps = [abs(b - a) for a, b in pairwise(stretch.values)]
    return max(*steps, abs(stretch.values[-1] - stretch.values[0])) <= limit
