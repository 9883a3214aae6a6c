"""The computer's clock and disk, as they were asked."""

from collections.abc import Iterable
from dataclasses import dataclass

from daq.checklist.items import Item, ItemVerdict
from daq.checklist.kept import Entry

CLOCK, DISK = "clock", "disk"
_CLOCK_REASON = (
    "Trials are timed by a clock that nobody sets, but when a session was, and what a meter's own log says of it, goes by"
    " UTC."
)
_DISK_REASON = "While the disk is full readings are kept in memory only, and of too many the oldest are lost; no trial can be begun."
_EARLIEST_UTC = "2026-01-01T00:00:00.000Z"
"""This program is not older; a clock that says so was never set."""
_STEP_S = 1.0
_DRIFT = 1e-4
"""No clock of a computer that runs freely is worse; more is a step."""
_DAY_S = 86400.0
_ROW_BYTES = 56.0
_VALUE_BYTES = 9.0
"""A stored reading takes so much: measured 60, 77 and 146 bytes with 1, 3 and 12 values, rounded up."""
_LEAST_DAYS, _FEW_DAYS = 1.0, 14.0


@dataclass(frozen=True, slots=True)
class ClockFacts:
    """What was asked of the clock.

    Attributes:
        utc: What it shows, RFC 3339.
        is_synchronised: Whether the system says that it follows a time server; None where it does not tell.
        last_utc: What it showed when the store was last written; None without a store.
        step_s: By how much it was set since then against the time that passed [s]; None where the computer was started anew.
        passed_s: Time since then [s]; 0 likewise.
    """

    utc: str
    is_synchronised: bool | None
    last_utc: str | None = None
    step_s: float | None = None
    passed_s: float = 0.0


def clock_text(utc: str) -> str:
    """A time as it is compared with another clock: to the second, with its zone."""
    return f"{utc[:10]} {utc[11:19]} UTC"


def judge_clock(facts: ClockFacts, entry: Entry | None) -> Item:
    """Whether UTC is known.

    Args:
        facts: What was asked.
        entry: That somebody compared it with another clock today.
    """
    verdict, finding = _clock(facts, entry)
    if _is_step(facts) and facts.step_s is not None:
        finding += (
            f"; it was set by {facts.step_s:+.3g} s since the store was last written"
        )
    figures = {"utc": facts.utc, "step_s": facts.step_s}
    return Item(CLOCK, verdict, finding, _CLOCK_REASON, figures)


def _clock(facts: ClockFacts, entry: Entry | None) -> tuple[ItemVerdict, str]:
    shows = f"it shows {clock_text(facts.utc)}"
    earliest = max(_EARLIEST_UTC, facts.last_utc or "")
    # All of one form with milliseconds and Z, so that texts are in the order of time.
    if facts.utc < earliest:
        return (
            ItemVerdict.REFUSED,
            f"{shows}, which is before {clock_text(earliest)} and cannot be: set it (timedatectl set-ntp true, or by hand)",
        )
    if facts.is_synchronised:
        return ItemVerdict.DONE, f"{shows} and follows a time server"
    if entry is not None:
        return ItemVerdict.DONE, f"{shows}; compared with another clock on {entry.day}"
    why = (
        "it does not follow a time server"
        if facts.is_synchronised is False
        else "timedatectl does not tell here whether it follows a time server"
    )
    return (
        ItemVerdict.TO_DO,
        f"{shows}, and {why}: compare it with another clock, and acknowledge that it is right within a second",
    )


def _is_step(facts: ClockFacts) -> bool:
    allowed_s = _STEP_S + _DRIFT * facts.passed_s
    return facts.step_s is not None and abs(facts.step_s) > allowed_s


def bytes_a_day(readings: Iterable[tuple[float, int]]) -> float:
    """What a bench stores in a day of sessions [bytes].

    Args:
        readings: Of each instrument, the interval [s] and how many values a reading has.
    """
    return sum(
        _DAY_S / interval_s * (_ROW_BYTES + _VALUE_BYTES * values)
        for interval_s, values in readings
    )


def judge_disk(free_bytes: float, day_bytes: float, folder: str) -> Item:
    """For how long there is room.

    Args:
        free_bytes: Free for this user where the store is.
        day_bytes: What the bench stores in a day.
        folder: Of the store.
    """
    days = free_bytes / day_bytes
    finding = (
        f"{_shown_bytes(free_bytes)} free in {folder}, at most {_shown_bytes(day_bytes)} a day at this bench's rate:"
        f" {_shown_days(days)}"
    )
    verdict = ItemVerdict.DONE
    if days < _FEW_DAYS:
        verdict = ItemVerdict.REFUSED if days < _LEAST_DAYS else ItemVerdict.TO_DO
        finding += "; make room, or name another store"
    figures = {"free_bytes": free_bytes, "bytes_a_day": day_bytes, "days_left": days}
    return Item(DISK, verdict, finding, _DISK_REASON, figures)


def _shown_bytes(count: float) -> str:
    for unit, size in (("GB", 1e9), ("MB", 1e6)):
        if count >= size:
            return f"{count / size:.3g} {unit}"
    return f"{count / 1e3:.3g} kB"


def _shown_days(days: float) -> str:
    if days > 3650.0:
        return "more than ten years"
    return f"{days:.0f} days" if days >= 2.0 else f"{days * 24.0:.0f} hours"
