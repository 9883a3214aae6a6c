"""A profile of a meter that sends binary frames, as commented TOML; or as much of one as is known.

Knows no file system.
"""

from collections.abc import Sequence

from daq.recognising.files import (
    figure,
    head_lines,
    name_lines,
    profile_text,
    resolution_lines,
    toml_text,
)
from daq.recognising.frame_checksums import ChecksumFound
from daq.recognising.frame_fields import FrameFieldFound
from daq.recognising.frames import FrameGuess
from daq.recognising.framings import Framing


def render_frames(
    guess: FrameGuess,
    found: Sequence[FrameFieldFound],
    *,
    framing: Framing,
    interval_s: float | None,
) -> str:
    """A profile of a meter that sends frames by itself; with no field, one to be completed by hand."""
    fields = [_frame_field(field) for field in found] or [_missing_field(guess)]
    return profile_text(
        [
            f"# A meter that sends frames by itself, like: {guess.frames[-1].hex(' ').upper()}",
            *head_lines("Meter that sends binary frames", interval_s, framing),
            "[wire]",
            'protocol = "fixed-frames"',
            f"sync = {toml_text(guess.sync.hex(' ').upper())}",
            f"length = {guess.length}",
            *(_checksum(guess.checksum, guess.length) if guess.checksum else []),
        ],
        fields,
    )


def _checksum(found: ChecksumFound, length: int) -> list[str]:
    rule = found.rule
    parts = [f'kind = "{found.kind}"']
    cyclic = found.parameters
    if cyclic is not None:
        digits = cyclic.width // 4
        parts.append(f"polynomial = 0x{cyclic.polynomial:0{digits}X}")
        if cyclic.initial:
            parts.append(f"initial = 0x{cyclic.initial:0{digits}X}")
        if cyclic.reflected:
            parts.append("reflected = true")
        if cyclic.final_xor:
            parts.append(f"final_xor = 0x{cyclic.final_xor:0{digits}X}")
    if rule.byte + rule.checksum.size < length:
        parts.append(f"byte = {rule.byte}")
    if rule.first:
        parts.append(f"first = {rule.first}")
    if rule.byte_order != "AB":
        parts.append(f'byte_order = "{rule.byte_order}"')
    return [
        f"# {found.title[0].upper()}{found.title[1:]}; it was right in every frame that was taken.",
        f"checksum = {{ {', '.join(parts)} }}",
    ]


def _frame_field(found: FrameFieldFound) -> list[str]:
    candidate, shown = found.candidates[0], found.shown
    order = [f'byte_order = "{candidate.byte_order}"'] if candidate.size > 1 else []
    return [
        "[[field]]",
        *name_lines(shown.name, shown.unit),
        f"byte = {candidate.byte}",
        f'type = "{candidate.kind}"',
        *([f"bytes = {candidate.size}"] if candidate.kind == "bcd" else []),
        *order,
        *(
            [f"point = {{ byte = {candidate.point} }}"]
            if candidate.point is not None
            else []
        ),
        f"scale = {figure(candidate.scale)}",
        *(f"# {note[0].upper()}{note[1:]}." for note in found.notes),
        *([f"high = {figure(found.high)}"] if found.high is not None else []),
        *resolution_lines(max(candidate.step, shown.digit)),
    ]


def _missing_field(guess: FrameGuess) -> list[str]:
    """A field as a comment, with the bytes that may hold it."""
    taken = set(guess.checksum.places) if guess.checksum else set()
    free = [i for i in range(len(guess.sync), guess.length) if i not in taken]
    steady = [i for i in free if len({frame[i] for frame in guess.frames}) == 1]
    varying = [i for i in free if i not in steady]
    return [
        f"# Bytes that varied: {_listed(varying)}. Bytes that stayed as they were: {_listed(steady)}.",
        "# One table for each value, from the maker's description of the frame; take the marks off and fill in.",
        "# [[field]]",
        '# name = "voltage"',
        '# quantity = "voltage"',
        '# unit = "V"',
        f"# byte = {(varying or free)[0]}",
        '# type = "u16"          # u8 to u32, s8 to s32 (two\'s complement), f32, bcd',
        '# byte_order = "ABCD"   # DCBA where the lowest byte comes first',
        "# scale = 0.1",
        "# sign = { byte = 2, mask = 0x80 }   # where a bit of its own says that it is below zero",
        "# resolution = 0.1",
    ]


def _listed(places: Sequence[int]) -> str:
    return ", ".join(str(place) for place in places) or "none"
