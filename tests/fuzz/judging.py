"""Whether an outcome is what a second look at the bytes says: of a meter that is asked, and of one that talks by itself.

Wherever the frame tells for certain, both directions are checked: no reading without a sound frame, and no gap where
nothing but a sound frame came.
"""

from collections.abc import Callable
from typing import Protocol

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


class Cut(Protocol):
    """Cuts what was heard into what could be a frame or line."""

    def __call__(self, heard: bytes, begun: int, /) -> tuple[list[bytes], int]:
        """Candidates from a place on, and the place to go on from; 0 for a new beginning."""


class StreamWitness:
    """Of a meter that talks by itself: each reading has sound bytes of its own, in their order, since it was last silent."""

    def __init__(self, cut: Cut, value_in: Callable[[bytes], Values | None]) -> None:
        self._cut = cut
        self._value_in = value_in
        self._begin()

    def _begin(self) -> None:
        self._heard = b""
        self._place = 0
        self._unused: list[Values] = []

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
                self._begin()
            return
        candidates, self._place = self._cut(self._heard, self._place)
        found = map(self._value_in, candidates)
        self._unused += [values for values in found if values is not None]
        unused = self._unused
        assert outcome.values in unused, f"{outcome.values} of {self._heard!r}"
        del unused[: unused.index(outcome.values) + 1]
