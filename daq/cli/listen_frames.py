"""The part of `daq listen` for meters that send binary frames: found, compared with the display, written as a profile."""

import argparse
import asyncio
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace

from daq.cli.display_questions import (
    asked_again,
    asked_number,
    asked_shown,
    is_another_load_wanted,
)
from daq.cli.found_bench import write_or_show
from daq.cli.listen_frames_words import (
    frame_lines,
    frames_lost_lines,
    in_frame_lines,
    no_agreement_lines,
    several_framings_lines,
    skeleton_lines,
)
from daq.cli.listen_words import bus_lines, unshaped_lines
from daq.cli.registers_words import (
    candidate_counts,
    choice_question,
    nothing_shown_lines,
)
from daq.cli.said import say
from daq.recognising.choosing import MOST_LOADS, Standing, wanted_moves
from daq.recognising.frame_fields import (
    FrameCandidate,
    FrameFieldFound,
    FrameLoad,
    choose_in_frames,
    find_in_frames,
    remaining_in_frames,
    take_in_frames,
)
from daq.recognising.frame_files import render_frames
from daq.recognising.frames import FrameGuess, agreed_sync
from daq.recognising.framings import Framing, framings_to_try
from daq.recognising.heard import Guess
from daq.runtime.clock import Clock
from daq.runtime.listening import FramesHeard, find_frames, record_frames
from daq.runtime.ports import hold_port

_SHAPES = ("8N1", "8E1", "8O1")
_FEW_FRAMES = 6


@dataclass(frozen=True, slots=True)
class _Meter:
    """Where the frames come from, and what they look like."""

    options: argparse.Namespace
    framing: Framing
    guess: FrameGuess
    interval_s: float | None


def framed(
    options: argparse.Namespace, framings: Sequence[Framing], guesses: Sequence[Guess]
) -> int:
    """Bytes came that are no lines: look for frames in them, and for values in the frames."""
    tried = _eight_bits(framings)
    say("Bytes come, but no lines of text; looking for binary frames …")
    with hold_port(options.port):
        heard = asyncio.run(
            find_frames(
                options.port,
                tried,
                clock=Clock(),
                seconds=options.seconds,
                tell=lambda text: say(f"  {text}"),
            )
        )
    last = heard[-1] if heard else None
    if last is not None and last.bus is not None:
        say(*bus_lines(options.port, last.framing, last.bus, options.write))
        return 0
    likely = [each for each in heard if each.guess is not None]
    accepted = [each for each in likely if each.is_accepted]
    if not likely:
        say(*unshaped_lines(guesses, [str(each.framing) for each in heard]))
        return 1
    if not accepted and len(likely) > 1:
        say(*several_framings_lines(options.port, likely, options.write))
        return 1
    return _compared((accepted or likely)[-1], options)


def _eight_bits(framings: Sequence[Framing]) -> tuple[Framing, ...]:
    """Those that bytes of eight bits can have, each speed with the usual characters first."""
    bauds = tuple(dict.fromkeys(framing.baud for framing in framings))
    shapes = {framing.shape for framing in framings if framing.data_bits == 8}
    wanted = tuple(shape for shape in (*_SHAPES, "8N2") if shape in shapes)
    return framings_to_try(bauds, wanted[:3])


# ---- values in frames


def _compared(heard: FramesHeard, options: argparse.Namespace) -> int:
    """Find the display's values in the frames, at several loads."""
    assert heard.guess is not None  # noqa: S101 - the caller's choice
    meter = _Meter(options, heard.framing, heard.guess, heard.interval_s)
    say(*frame_lines(heard.framing, heard.guess))
    if heard.guess.rivals:
        return 1
    before = _recorded(meter)
    shown = tuple(options.shows) or asked_shown()
    if not shown:
        say(*nothing_shown_lines())
        return _without_fields(meter)
    recorded = (*before, *_recorded(meter))
    if not recorded:
        say(*frames_lost_lines())
        return 1
    first = FrameLoad(shown, recorded)
    candidates = {
        each.name: find_in_frames(each, first.sweeps, meter.guess) for each in shown
    }
    say(*candidate_counts(candidates))
    if not any(candidates.values()):
        say(*no_agreement_lines())
        return _without_fields(meter)
    return _over_loads(meter, first, candidates)


def _over_loads(
    meter: _Meter, first: FrameLoad, candidates: dict[str, list[FrameCandidate]]
) -> int:
    """Further loads, until each field is known or nobody wants another."""
    loads = [first]
    while len(loads) < MOST_LOADS and _is_open(choose_in_frames(candidates, loads)):
        if not is_another_load_wanted(len(loads), wanted_moves(loads)):
            break
        before = _recorded(meter)
        shown = asked_again(first.shown)
        if shown is None:
            break
        frames = (*before, *_recorded(meter))
        if not frames:
            say(*frames_lost_lines())
            return 1
        loads.append(FrameLoad(shown, frames))
        candidates = remaining_in_frames(candidates, loads[-1])
        say(*candidate_counts(candidates))
    return _ended(meter, choose_in_frames(candidates, loads), loads)


def _is_open(fields: Sequence[FrameFieldFound]) -> bool:
    return any(
        field.standing in (Standing.SEVERAL, Standing.UNCONFIRMED) for field in fields
    )


def _recorded(meter: _Meter) -> tuple[bytes, ...]:
    """A few frames; known by their first byte where a checksum makes that enough."""
    guess = meter.guess
    if guess.checksum is not None:
        guess = replace(guess, sync=guess.sync[:1])
    search = record_frames(
        meter.options.port, meter.framing, guess, _FEW_FRAMES, clock=Clock()
    )
    return asyncio.run(search)


def _ended(
    meter: _Meter, fields: Sequence[FrameFieldFound], loads: Sequence[FrameLoad]
) -> int:
    """Say what each field is, and write those that are known."""
    decided = [_chosen(meter.options, field, loads) for field in fields]
    known = [field for field in decided if field.standing is Standing.FOUND]
    if len(loads) < 2 or not known:
        return _without_fields(meter)
    frames = [frame for load in loads for frame in load.sweeps]
    guess = replace(meter.guess, sync=agreed_sync(meter.guess, frames))
    profile = render_frames(
        guess, known, framing=meter.framing, interval_s=meter.interval_s
    )
    return write_or_show(
        meter.options.write,
        profile,
        port=meter.options.port,
        unit=None,
        is_paced=meter.interval_s is not None,
        is_whole=len(known) == len(fields),
    )


def _chosen(
    options: argparse.Namespace, field: FrameFieldFound, loads: Sequence[FrameLoad]
) -> FrameFieldFound:
    """The field, with the operator's choice where the loads leave one to make."""
    say(*in_frame_lines(field, is_confirmed=len(loads) > 1))
    is_open = field.standing in (Standing.SEVERAL, Standing.UNCONFIRMED)
    if not is_open or len(loads) < 2:
        return field
    name = field.shown.name
    number = asked_number(
        lambda: choice_question(name, len(field.candidates)),
        name,
        dict(options.take).get(name),
        [candidate.label for candidate in field.candidates],
    )
    if number is None:
        return field
    taken = take_in_frames(field, field.candidates[number - 1], loads)
    say(*in_frame_lines(taken, is_confirmed=True))
    return taken


def _without_fields(meter: _Meter) -> int:
    """What is known of the frame, to be completed by hand."""
    profile = render_frames(
        meter.guess, (), framing=meter.framing, interval_s=meter.interval_s
    )
    sys.stdout.write(f"\n{profile}\n")
    say(*skeleton_lines())
    return 1
