"""Binary frames of one length in a stream of bytes: their length, sync bytes and checksum.

Frames come as bursts with a silence between them, or repeat at a distance at which most bytes come back; every length and
beginning that either suggests is tried. A checksum is believed when it is right in nearly all of at least eight frames
that differ enough: no wrong speed gives that. Without a checksum a framing is never accepted, only told.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from daq.recognising.frame_checksums import ChecksumFound, checksums_of

LEAST_FRAMES = 8
LEAST_LENGTH, MOST_LENGTH = 4, 64
"""Of a frame that is searched for [byte]."""

_LEAST_SHARE = 0.8
_MOST_LENGTHS = 6
_LEAST_REPEAT = 0.2
"""Of the bytes that must come back a frame later: the sync bytes of a frame at least."""

_MOST_SYNC = 3
_SYNC_BYTES = frozenset(bytes.fromhex("55 AA A5 5A FE EB 90 7E 68"))
"""That makers begin frames with, chosen for their changing bits."""


@dataclass(frozen=True, slots=True)
class FrameGuess:
    """What the bytes are thought to be.

    Attributes:
        length: Of a frame [byte].
        sync: What every frame begins with.
        checksum: None where none was found.
        rivals: Other checksums that are right in every frame too; more frames that differ tell them apart.
        frames: Those that were heard whole, in order.
        confidence: 0 to 1: share of the frames that are sound times n/(n+1), halved without a checksum [1].
        reasons: In words.
    """

    length: int
    sync: bytes
    checksum: ChecksumFound | None
    rivals: tuple[str, ...]
    frames: tuple[bytes, ...]
    confidence: float
    reasons: tuple[str, ...]

    @property
    def is_accepted(self) -> bool:
        """Whether the evidence is enough to go on with."""
        return self.checksum is not None and not self.rivals


def recognise_frames(data: bytes, bursts: Sequence[int]) -> FrameGuess | None:
    """The frames in what a line brought; None where nothing repeats.

    Args:
        data: All bytes, in order.
        bursts: Places at which bytes came after a silence.
    """
    best: FrameGuess | None = None
    for rows in _splits(data, bursts):
        guess = _judged(rows)
        if guess is not None and guess.is_accepted:
            return guess
        best = best or guess
    return best


def frames_in(data: bytes, guess: FrameGuess) -> tuple[bytes, ...]:
    """The sound frames in further bytes of the same meter."""
    frames, place = [], 0
    while place + guess.length <= len(data):
        frame = data[place : place + guess.length]
        is_right = guess.checksum is None or guess.checksum.is_right(frame)
        is_frame = frame.startswith(guess.sync) and is_right
        if is_frame:
            frames.append(frame)
        place += guess.length if is_frame else 1
    return tuple(frames)


def agreed_sync(guess: FrameGuess, frames: Sequence[bytes]) -> bytes:
    """The sync bytes that further frames begin with as well."""
    size = len(guess.sync)
    while size > 1 and any(not f.startswith(guess.sync[:size]) for f in frames):
        size -= 1
    return guess.sync[:size]


# ---- where frames may begin


def _splits(data: bytes, bursts: Sequence[int]) -> Iterator[list[bytes]]:
    """The bytes cut into frames, in every way that something speaks for; the likeliest first."""
    if (length := _burst_length(bursts)) is not None:
        whole = [a for a, b in pairwise(bursts) if b - a == length]
        yield [data[place : place + length] for place in whole]
    for length in _repeating_lengths(data):
        for phase in range(length):
            last = len(data) - length + 1
            yield [data[i : i + length] for i in range(phase, last, length)]


def _burst_length(bursts: Sequence[int]) -> int | None:
    """The length of nearly all bursts; None if they have none in common."""
    lengths = Counter(b - a for a, b in pairwise(bursts))
    if not lengths:
        return None
    length, count = lengths.most_common(1)[0]
    is_usual = count >= _LEAST_SHARE * lengths.total()
    return length if is_usual and LEAST_LENGTH <= length <= MOST_LENGTH else None


def _repeating_lengths(data: bytes) -> list[int]:
    """Distances at which most bytes come back, the most first; of equals the shortest."""
    longest = min(MOST_LENGTH, len(data) // LEAST_FRAMES)
    shares = {}
    for length in range(LEAST_LENGTH, longest + 1):
        same = sum(a == b for a, b in zip(data, data[length:], strict=False))
        shares[length] = same / (len(data) - length)
    likely = [n for n, share in shares.items() if share >= _LEAST_REPEAT]
    return sorted(likely, key=lambda n: (-round(shares[n], 1), n))[:_MOST_LENGTHS]


# ---- what a cut makes of the bytes


def _judged(rows: Sequence[bytes]) -> FrameGuess | None:
    """Frames with what they have in common; None unless they begin alike."""
    if len(rows) < LEAST_FRAMES:
        return None
    first, count = Counter(row[0] for row in rows).most_common(1)[0]
    if count < _LEAST_SHARE * len(rows):
        return None
    alike = [row for row in rows if row[0] == first]
    checksums = checksums_of(alike)
    checksum = checksums[0] if checksums else None
    sound = [row for row in alike if checksum is None or checksum.is_right(row)]
    sync = _sync_of(sound, checksum)
    if checksum is None and len(sync) < 2:
        return None
    share = len(sound) / len(rows)
    rivals = tuple(dict.fromkeys(c.title for c in checksums[1:]))
    confidence = share * len(sound) / (len(sound) + 1) * (1.0 if checksum else 0.5)
    return FrameGuess(
        length=len(rows[0]),
        sync=sync,
        checksum=checksum,
        rivals=rivals,
        frames=tuple(sound),
        confidence=confidence,
        reasons=_reasons(rows, sound, checksum),
    )


def _sync_of(rows: Sequence[bytes], checksum: ChecksumFound | None) -> bytes:
    """What all frames begin with, as far as it is meant to: the first byte of a value may be as constant.

    With a checksum one byte is enough, and a second is taken if makers begin frames with it; without one two are needed.
    """
    first = rows[0]
    constant = 0
    while constant < len(first) and len({row[constant] for row in rows}) == 1:
        constant += 1
    least = 2 if checksum is None else max(checksum.first, 1)
    size = min(least, constant, _MOST_SYNC)
    while size < min(constant, 2) and first[size] in _SYNC_BYTES:
        size += 1
    return first[:size]


def _reasons(
    rows: Sequence[bytes], sound: Sequence[bytes], checksum: ChecksumFound | None
) -> tuple[str, ...]:
    begins = f"{len(sound)} of {len(rows)} frames of {len(rows[0])} bytes begin alike"
    different = len(set(sound))
    if checksum is None:
        alike = "all the same" if different == 1 else f"{different} different"
        return begins, f"no checksum is seen in them, {alike}"
    return (f"{begins} and their {checksum.title} is right, {different} different",)
