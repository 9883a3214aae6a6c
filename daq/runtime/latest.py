"""The newest reading of one instrument, and what that says of how it fares: old, silent, lost, without a usable value.

How old a reading is counts from when it came: a meter that sends values of some seconds ago is heard all the same.
"""

from dataclasses import dataclass, field

from daq.records import Channel, Gap, GapReason, Reading

_OLD_INTERVALS = 2.5
_OLD_LEAST_S = 2.0
_JITTER_S = 0.4


@dataclass(slots=True)
class Latest:
    """Newest reading of one instrument, and its counts.

    Attributes:
        interval_s: Between its readings [s]; of no account where a person reads it.
        lag_s: How old a value is when it comes [s].
        speed: Bench seconds a real second [1].
    """

    interval_s: float = 0.0
    lag_s: float = 0.0
    speed: float = 1.0
    reading: Reading | None = None
    last_gap: Gap | None = None
    readings: int = 0
    gaps: int = 0
    line_text: str | None = None
    _usable_s: dict[int, float] = field(default_factory=dict)

    def take(self, outcome: Reading | Gap) -> None:
        """Keep the newest."""
        if isinstance(outcome, Gap):
            self.last_gap = outcome
            self.gaps += outcome.polls
            return
        self.reading = outcome
        self.readings += 1
        for index, value in enumerate(outcome.values):
            if value is not None:
                self._usable_s[index] = outcome.at_s + self.lag_s

    @property
    def heard_s(self) -> float | None:
        """When its newest reading came [s]."""
        return None if self.reading is None else self.reading.at_s + self.lag_s

    def is_old(self, heard_s: float, now_s: float) -> bool:
        """Whether what came then is older than anything of this meter should be [s]."""
        # Handing a reading over takes real time, which a demonstration's clock stretches.
        jitter_s = _JITTER_S * (self.speed - 1.0)
        longest_s = max(_OLD_LEAST_S, _OLD_INTERVALS * self.interval_s)
        return now_s - heard_s > longest_s + jitter_s

    @property
    def was_missed(self) -> bool:
        """What is missing now was not asked for: the line or this computer was busy, or asleep."""
        gap, reading = self.last_gap, self.reading
        if gap is None or gap.reason is not GapReason.MISSED:
            return False
        return reading is None or gap.at_s > reading.at_s

    def unusable_for_s(self, index: int, now_s: float, *, began_s: float) -> float:
        """For how long it is heard and shows no usable value of a field [s]; 0 while no longer than a reading takes to be old."""
        if self.reading is None or self.reading.values[index] is not None:
            return 0.0
        usable_s = self._usable_s.get(index, began_s)
        return now_s - usable_s if self.is_old(usable_s, now_s) else 0.0

    def condition(self, channel: Channel, now_s: float) -> str:
        """How one of its channels fares, in a word."""
        if self.line_text is not None:
            return "silent"
        if self.reading is None or self.heard_s is None:
            return "no reading yet"
        if self.is_old(self.heard_s, now_s):
            return "old"
        is_usable = self.reading.values[channel.field_index] is not None
        return "ok" if is_usable else "overrange"

    def health(self, now_s: float) -> tuple[str, str]:
        """How it fares, in a word, and what is known of that."""
        if self.line_text is not None:
            return "lost", self.line_text
        gap, heard_s = self.last_gap, self.heard_s
        if heard_s is None:
            if gap is None:
                return "waiting", "no reading yet"
            return "silent", f"no reading yet: {_why(gap)}"
        if not self.is_old(heard_s, now_s):
            return "ok", f"a reading every {self.interval_s:g} s"
        words = f"no reading for {now_s - heard_s:.0f} s"
        if gap is None or (self.reading and gap.at_s <= self.reading.at_s):
            return "silent", f"{words}; check its plug and its display"
        # The meter has no part in polls that were not made.
        to_do = "" if self.was_missed else "; check its plug and its display"
        return "silent", f"{words}: {_why(gap)}{to_do}"


def _why(gap: Gap) -> str:
    """Of missed polls the reason is a kind only; the detail says whether the line or the computer was busy."""
    is_told = gap.reason is GapReason.MISSED and gap.detail
    return gap.detail if is_told else gap.reason.value
