"""Which alarms are news: one that goes on is told once, though the figures in it change with every reading."""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass

_FIGURES = re.compile(r"[\d.]+")


@dataclass(frozen=True, slots=True)
class Alarm:
    """An alarm as it was told; since when it is, in whatever way that is told."""

    text: str
    since: float | str

    @property
    def words(self) -> str:
        """What stays the same while it goes on."""
        return _FIGURES.sub("0", self.text)


@dataclass(frozen=True, slots=True)
class AlarmNews:
    """Alarms that have begun, or have changed by more than their figures; and those that are over, as they were last."""

    begun: tuple[Alarm, ...]
    over: tuple[Alarm, ...]


class ToldAlarms:
    """Remembers the alarms that were told."""

    def __init__(self) -> None:
        self._told: tuple[Alarm, ...] = ()

    def news(self, alarms: Iterable[Alarm]) -> AlarmNews:
        """Take all that are on now."""
        now, before = tuple(alarms), self._told
        # Two may differ in figures only, as those of two meters of one kind do: each is one of its own.
        begun, over = now, before
        for is_same in (_is_unchanged, _has_its_words):
            begun, over = _without_pairs(begun, over, is_same)
        self._told = now
        changed = {alarm.since for alarm in begun}
        return AlarmNews(begun, tuple(each for each in over if each.since not in changed))  # fmt: skip


def _is_unchanged(alarm: Alarm, before: Alarm) -> bool:
    return alarm.since == before.since and _has_its_words(alarm, before)


def _has_its_words(alarm: Alarm, before: Alarm) -> bool:
    return alarm.words == before.words


def _without_pairs(
    now: Iterable[Alarm],
    before: Iterable[Alarm],
    is_same: Callable[[Alarm, Alarm], bool],
) -> tuple[tuple[Alarm, ...], tuple[Alarm, ...]]:
    """What is left of both when each alarm has met one that is the same."""
    alone, left = [], list(before)
    for alarm in now:
        place = next((n for n, each in enumerate(left) if is_same(alarm, each)), None)
        if place is None:
            alone.append(alarm)
        else:
            del left[place]
    return tuple(alone), tuple(left)
