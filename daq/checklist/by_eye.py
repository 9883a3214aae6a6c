"""Zeros and pairs of meters without an interface: what to look at on the display, answered by yes or no."""

from daq.checklist.kept import A_QUARTER_S, A_WORKING_DAY_S
from daq.checklist.pairs import REASON as PAIR_REASON
from daq.checklist.ticks import Tick
from daq.checklist.zeros import REASON as ZERO_REASON
from daq.checklist.zeros import allowed_at_zero
from daq.records import Channel
from daq.uncertainty import combine, contributions_of_accuracy
from daq.wording import unit_symbol

_MAINS_V = (120.0, 230.0)
"""Of most supplies: what a difference may be goes with the voltage, which a display tells nobody but who looks at it."""


def zero_by_eye(name: str, channel: Channel, about: str) -> Tick:
    """Whether a display stands at zero without flow.

    Args:
        name: Of the item.
        channel: Typed by the operator.
        about: The channel in its unit.
    """
    unit = unit_symbol(channel.unit)
    allowed = f"within ± {allowed_at_zero(channel.accuracy):.2g} {unit}".rstrip()
    return Tick(
        name,
        about,
        f"{channel.name} is read by eye: with the machine off and its inlet capped, does its display stand still"
        f" {allowed} of zero for ten seconds?",
        "no zero: see that the machine is off, its inlet capped and no draught there, zero the meter by its key, then"
        " look again",
        ZERO_REASON,
        A_WORKING_DAY_S,
    )


def pair_by_eye(name: str, channels: tuple[Channel, Channel], about: str) -> Tick:
    """Whether two displays agree on one outlet, of which one at least is read by eye.

    Args:
        name: Of the item.
        channels: Supply end and machine end.
        about: Both meters.
    """
    one, other = (channel.name for channel in channels)
    return Tick(
        name,
        about,
        f"{one} and {other} are compared by eye: on one live outlet, with no lead between and the machine off, looked at"
        f" together five times, are they never further apart than {_apart(channels)}? Write the difference down",
        "the two disagree: see that both are on one outlet with nothing between; if they are, have them calibrated",
        PAIR_REASON,
        A_QUARTER_S,
    )


def _apart(channels: tuple[Channel, Channel]) -> str:
    """What both accuracies allow, at the voltages of most supplies."""
    if not all(contributions_of_accuracy(_MAINS_V[0], c.accuracy) for c in channels):
        return "you would take for the same (the accuracies of both are not stated)"
    allowed = [
        f"{_allowed_v(mains_v, channels):.2g} {unit_symbol('V')} at {mains_v:g} {unit_symbol('V')}"
        for mains_v in _MAINS_V
    ]
    return f"both makers allow ({', '.join(allowed)})"


def _allowed_v(mains_v: float, channels: tuple[Channel, Channel]) -> float:
    parts = [
        p for c in channels for p in contributions_of_accuracy(mains_v, c.accuracy)
    ]
    return combine(parts).expanded_uncertainty
