"""What `daq listen` says of binary frames."""

import shlex
from collections.abc import Sequence

from daq.cli.registers_words import several_lines, unconfirmed_lines
from daq.recognising.choosing import Standing
from daq.recognising.frame_fields import FrameCandidate, FrameFieldFound
from daq.recognising.frames import FrameGuess
from daq.recognising.framings import Framing
from daq.recognising.shown import decimals_of_step
from daq.runtime.listening import FramesHeard

_SHOWN_FRAMES = 3
_MOST_SETTINGS = 6
_STILL = 3
"""Frames that differ, up to which nothing is said to vary."""

_ORDER_WORDS = {"ABCD": "highest byte first", "DCBA": "lowest byte first"}


def frame_lines(framing: Framing, guess: FrameGuess) -> list[str]:
    """A meter that sends frames, and why that is believed."""
    begins = guess.sync.hex(" ").upper()
    checksum = guess.checksum
    if checksum is None:
        tail = "no checksum was recognised, so a spoiled frame would pass; what the display shows must confirm it"
    else:
        rule = checksum.rule
        tail = (
            f"byte {rule.byte} is the {checksum.title} of bytes {rule.first} to {rule.last}"
            f"{', low byte first' if rule.byte_order == 'BA' else ''}"
        )
    return [
        f"The meter sends binary frames of {guess.length} bytes by itself at {framing}"
        f" (confidence {guess.confidence:.2f}: {'; '.join(guess.reasons)}).",
        f"  A frame begins with {begins}; {tail}.",
        *(f"    {frame.hex(' ').upper()}" for frame in guess.frames[-_SHOWN_FRAMES:]),
        *_rival_lines(guess),
    ]


def several_framings_lines(
    port: str, heard: Sequence[FramesHeard], folder: str | None
) -> list[str]:
    """Frames repeat at more than one speed, and no checksum tells which is right; `folder` is to be written to."""
    guesses = [(each.framing, each.guess) for each in heard if each.guess is not None]
    listed = [
        f"  {framing}: frames of {guess.length} bytes, {guess.frames[-1].hex(' ').upper()}"
        for framing, guess in guesses[:_MOST_SETTINGS]
    ]
    is_still = all(len(set(guess.frames)) <= _STILL for _, guess in guesses)
    why = (
        "All frames are nearly the same, and a checksum shows only in frames that differ. Let the values vary (switch the"
        " machine on, open and close its inlet) while this runs again."
        if is_still
        else "Perhaps there is none: then look up the speed in the meter's menu or manual."
    )
    return [
        f"Something repeats at {len(guesses)} settings, and no checksum tells which is right:",
        *listed,
        why,
        "Where the speed is known, the display alone decides:",
        f"  daq listen {shlex.quote(port)} --baud BAUD --framing 8N1 --seconds 10"
        f" --write {shlex.quote(folder or 'found-meter')}",
    ]


def in_frame_lines(field: FrameFieldFound, *, is_confirmed: bool) -> list[str]:
    """One field: what it is, or why that is not known."""
    name = field.shown.name
    described = [shown_in_frame(candidate) for candidate in field.candidates]
    if not is_confirmed and field.candidates:
        return [
            f"{name}: {len(described)} ways of reading agree at one load, which confirms none. Run it again and change the"
            " load when asked."
        ]
    if field.standing is Standing.FOUND:
        notes = [f"  {note[0].upper()}{note[1:]}." for note in field.notes]
        return [f"{name}: {described[0]}.", *notes]
    if field.standing is Standing.SEVERAL:
        rows = zip(described, (c.label for c in field.candidates), strict=True)
        return [*several_lines(name, list(rows)), *_point_lines(field)]
    if field.standing is Standing.UNCONFIRMED:
        return unconfirmed_lines(name, described[0], field.candidates[0].label)
    return [
        f"{name}: no bytes of the frame agree with the display at every load; it is left out."
    ]


def shown_in_frame(candidate: FrameCandidate) -> str:
    """A way of reading, in words."""
    order = f", {_ORDER_WORDS[candidate.byte_order]}" if candidate.size > 1 else ""
    last = candidate.places[-1]
    where = (
        f"bytes {candidate.byte} to {last}"
        if candidate.size > 1
        else f"byte {candidate.byte}"
    )
    scale = f"times {candidate.scale:.{decimals_of_step(candidate.scale)}f}"
    if candidate.point is not None:
        scale = f"byte {candidate.point} tells the digits behind the point"
    return f"{where}, {candidate.kind}{order}, {scale}"


def no_agreement_lines() -> list[str]:
    """No bytes give what was typed."""
    return [
        "No bytes of the frame agree with the display. Type the values with all their decimals, in the unit that the"
        " display shows, while they are steady. A value below zero may have its sign in a bit of its own: begin with one"
        " above zero. If that does not help, the layout of the maker's description goes into the profile by hand:",
    ]


def frames_lost_lines() -> list[str]:
    """No more frames came."""
    return [
        "No whole frame came any more. Is the meter still on, and was its output not switched off with the load? Then run"
        " it again."
    ]


def skeleton_lines() -> list[str]:
    """What to do with a profile without fields."""
    return [
        "Nothing was written. This is what is known of the frame: run it again with the display before you, or save it"
        " under a name that tells the meter, ending in .toml, and fill in its fields from the maker's description.",
    ]


def _rival_lines(guess: FrameGuess) -> list[str]:
    if not guess.rivals:
        return []
    return [
        f"  The {', the '.join(guess.rivals)} would be right in these frames too: they differ too little. Change the load while"
        " it listens, and give it more time with --seconds 20."
    ]


def _point_lines(field: FrameFieldFound) -> list[str]:
    points = sorted({c.point for c in field.candidates if c.point is not None})
    if not points:
        return []
    return [
        f"  Byte {points[0]} is the number of decimals that the display has. If the display can show {field.shown.name} with"
        ' another number of decimals, make it do so at the next load; if it never does, take the one with "times".'
    ]
