"""What only a person can tell, ticked off with one key each: isolation, automatic power-off, hold, autorange, units."""

from dataclasses import dataclass

from daq.checklist.items import Item, ItemVerdict
from daq.checklist.kept import A_WORKING_DAY_S, FOR_EVER_S, Kept

YES, NO = "yes", "no"


@dataclass(frozen=True, slots=True)
class Tick:
    """One question to be answered by yes or no.

    Attributes:
        name: Of its item.
        about: What it is about; an answer holds for nothing else.
        question: For the terminal; yes is what is wanted.
        refusal: What "no" means and what to do then.
        reason: Why it is asked.
        holds_s: For how long an answer holds [s].
    """

    name: str
    about: str
    question: str
    refusal: str
    reason: str
    holds_s: float


def isolation_tick(instrument: str, about: str) -> Tick:
    """Whether an instrument's interface is isolated; asked once for each instrument and port.

    Args:
        instrument: Name.
        about: Instrument, profile and port.
    """
    return Tick(
        f"isolation:{instrument}",
        about,
        f"Does the maker of {about} state that its interface is isolated from what it measures,"
        " for the voltage of your supply?",
        "not stated as isolated: do not connect it to this computer; take a meter, an adapter or an isolator whose maker"
        " states isolation for the supply's voltage",
        "An interface that is not isolated puts mains potential on the computer's ground, and on whoever touches it.",
        FOR_EVER_S,
    )


def key_ticks(about: str) -> tuple[Tick, ...]:
    """What is set by keys of the meters themselves.

    Args:
        about: All instruments of the bench.
    """
    return (
        Tick(
            "auto-power-off",
            about,
            "Is automatic power-off disabled on every meter that has it, or is it fed from outside?",
            "a meter may switch itself off: disable it (often a key held while switching on), then answer again",
            "Meters on battery switch off after some minutes without a key, in the middle of a trial.",
            A_WORKING_DAY_S,
        ),
        Tick(
            "hold",
            about,
            "Is hold off on every meter (and max, min, average, relative)?",
            "a meter holds its value: release hold, max, min, average and relative, then answer again",
            "A held value is perfectly steady: it settles at once and is wrong.",
            A_WORKING_DAY_S,
        ),
        Tick(
            "autorange",
            about,
            "Is the range of every meter fixed by hand, high enough for the inrush, or is there only one?",
            "a meter chooses its range itself: fix it at the highest range that the session needs, then answer again",
            "A change of range between two trials is another meter: its errors no longer cancel in the difference.",
            A_WORKING_DAY_S,
        ),
        Tick(
            "units",
            about,
            "Does every meter's display show the unit that the bench says (m/s and not ft/min, V AC and not DC)?",
            "a display has another unit than the bench: set it by its key, or name the unit in the profile, then answer again",
            "Most lines carry the bare number: a unit changed by a key is seen by nobody and read as another value.",
            A_WORKING_DAY_S,
        ),
    )


def judge_tick(tick: Tick, kept: Kept) -> Item:
    """How a question stands by what was answered."""
    entry = kept.find(tick.name, tick.about, holds_s=tick.holds_s)
    if entry is None:
        finding = f"not answered yet: {tick.question}"
        return Item(tick.name, ItemVerdict.TO_DO, finding, tick.reason)
    if entry.answer != YES:
        finding = f"answered no on {entry.day}: {tick.refusal}"
        return Item(tick.name, ItemVerdict.REFUSED, finding, tick.reason)
    finding = f"acknowledged on {entry.day}"
    return Item(tick.name, ItemVerdict.DONE, finding, tick.reason)
