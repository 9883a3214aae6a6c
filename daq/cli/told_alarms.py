"""Which alarms are news: one that goes on is told once, and once with each reason; its figures change with every reading."""

import re
from collections import Counter
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
        self._said: dict[tuple[float | str, str], set[str]] = {}

    def news(self, alarms: Iterable[Alarm]) -> AlarmNews:
        """Take all that are on now."""
        now, before = tuple(alarms), self._told
        # Two may differ in figures only, as those of two meters of one kind do: each is one of its own.
        begun, over = now, before
        for is_same in (_is_unchanged, _has_its_words):
            begun, over = _without_pairs(begun, over, is_same)
        self._told = now
        changed = {alarm.since for alarm in begun}
        return AlarmNews(
            self._not_said(begun, now, before),
            tuple(each for each in over if each.since not in changed),
        )

    def _not_said(
        self, begun: Iterable[Alarm], now: Iterable[Alarm], before: Iterable[Alarm]
    ) -> tuple[Alarm, ...]:
        """Without those that were told in the same words since they began: polls may fail for two reasons in turn."""
        count, count_before = (Counter(_which(a) for a in each) for each in (now, before))  # fmt: skip
        # Where one of two that look the same is over or begins, nobody can tell which has been told.
        is_kept = {key for key in self._said if count[key] == count_before[key] == 1}
        self._said = {key: self._said[key] for key in is_kept}
        fresh = []
        for alarm in begun:
            said = self._said.get(_which(alarm), set())
            if alarm.words not in said:
                fresh.append(alarm)
        for alarm in now:
            self._said.setdefault(_which(alarm), set()).add(alarm.words)
        return tuple(fresh)


def _which(alarm: Alarm) -> tuple[float | str, str]:
    """What stays the same of an alarm whose reason changes: since when it is, and what it is of."""
    return alarm.since, alarm.words.split(maxsplit=1)[0] if alarm.words else ""


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
