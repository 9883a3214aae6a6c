"""Whether an outcome is what a second look at the bytes says: of a meter that is asked, and of one that talks by itself.

Wherever the frame tells for certain, both directions are checked: no reading without a sound frame, and no gap where
nothing but a sound frame came.
"""

from collections.abc import Callable

from daq.records import Gap, GapReason, Reading
from tests.fuzz.witnesses import (
    Values,
    is_within,
)

TIMEOUT_S = 0.3
SILENCE_S = 2.0
Ranges = tuple[tuple[float | None, float | None], ...]


class PollWitness:
    """Of a meter that answers in one piece: all bytes since the request are one sound reply, or there is no reading."""

    def __init__(
        self, read: Callable[[bytes], Values | None], ranges: Ranges | None = None
    ) -> None:
        self._read = read
        self._ranges = ranges
        self._heard = b""

    def asked(self, request: bytes) -> None:
        del request
        self._heard = b""

    def heard(self, data: bytes) -> None:
        self._heard += data

    def accepted(self) -> None:
        msg = "one request is a whole poll"
        raise AssertionError(msg)

    def judge(self, outcome: Reading | Gap) -> None:
        check_against(outcome, self._read(self._heard), self._ranges, self._heard)


def check_against(
    outcome: Reading | Gap, values: Values | None, ranges: Ranges | None, heard: bytes
) -> None:
    """Whether an outcome is what a second look at the bytes says."""
    fits = values is not None and (ranges is None or is_within(values, ranges))
    if isinstance(outcome, Reading):
        assert fits, f"a reading of rubbish: {outcome.values} of {heard!r}"
        assert outcome.values == values, f"{outcome.values}, expected {values}"
    elif outcome.reason is GapReason.IMPLAUSIBLE:
        assert values is not None, f"{outcome.detail} of {heard!r}"
        assert not fits, f"{outcome.detail} of {heard!r}"
    else:
        assert not fits, f"a sound reply lost, {outcome.detail}: {heard!r}"


class StreamWitness:
    """Of a meter that talks by itself: each reading has sound bytes of its own, in their order, since it was last silent."""

    def __init__(self, find: Callable[[bytes], list[Values]]) -> None:
        self._find = find
        self._heard = b""
        self._used = 0

    def asked(self, request: bytes) -> None:
        raise AssertionError(request)

    def heard(self, data: bytes) -> None:
        self._heard += data

    def accepted(self) -> None:
        raise AssertionError

    def judge(self, outcome: Reading | Gap) -> None:
        if isinstance(outcome, Gap):
            if (
                outcome.reason is GapReason.NO_REPLY
                or "no whole frame" in outcome.detail
            ):
                self._heard, self._used = b"", 0
            return
        found = self._find(self._heard)
        left = found[self._used :]
        assert outcome.values in left, f"{outcome.values} of {self._heard!r}"
        self._used += left.index(outcome.values) + 1
