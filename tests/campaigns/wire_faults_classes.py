"""Which fault can be known on which wire, and how many false readings that allows."""

import math
from dataclasses import dataclass

from tests.campaigns.wire_faults_meters import Meter
from tests.campaigns.wire_faults_spoiling import UNDETECTABLE, Fault, mixed_of

_ALWAYS = {Fault.SILENT, Fault.LATE, Fault.PORT_LOST, Fault.OVERRANGE, Fault.FOREIGN}
_DISTANCE_4 = {"crc8", "crc16-modbus", "crc16-ccitt"}
_SAME_COLUMN = 1.0 / 24.0
"""Flips: two bits (one case of three) in one column of eight; cancels in an exclusive-or, seldomer in a sum."""
_SAME_COLUMN_OF_DIGITS = 1.0 / 128.0
"""The same in text, where both characters must still be digits: of '0' to '9' that leaves 1, 0.8, 0.8 and 0.4 of the lowest
four columns, and none of the others, so 2.44 / 8 of the above, times the share of digits in a line, squared."""
_CONFIDENCE = 0.999
_NONE_OF_10_000 = 0.0007
_NOT_SEEN = dict.fromkeys((Fault.NOISE, Fault.WRONG_BAUD, Fault.RESTART), _NONE_OF_10_000)  # fmt: skip
MEASURED: dict[str, dict[Fault, float]] = {
    "query-lines, shipped analyser": _NOT_SEEN
    | {Fault.FLIPPED: 0.087, Fault.INSERTED: 0.0085, Fault.TAKEN: 0.106},
    "query-lines, shipped analyser, parity": _NOT_SEEN
    | {Fault.FLIPPED: 0.0019, Fault.INSERTED: 0.0044, Fault.TAKEN: 0.106},
    "query-lines, shipped analyser, plain numbers": _NOT_SEEN
    | {Fault.FLIPPED: 0.109, Fault.INSERTED: 0.0072, Fault.TAKEN: 0.139}
    | {Fault.RESTART: 0.0046},
    "streamed-lines, shipped vane": _NOT_SEEN
    | {Fault.FLIPPED: 0.0421, Fault.INSERTED: 0.0041, Fault.TAKEN: 0.0606},
}
"""Of the shipped meters whose lines nothing protects, by name: shares of the spoiled answers that passed [1].

No promise, but what users are told and what a change may not make worse: upper limits with 99.9 % confidence (Clopper and Pearson) of
what 10 000 spoiled answers a row came to, with seed 1.
"""


@dataclass(frozen=True)
class Class:
    """What can be promised.

    Attributes:
        share: Most of the spoiled answers that may pass [1]; None where nothing is promised.
        why: In words.
        is_measured: Whether the share is no promise but what was measured.
    """

    share: float | None
    why: str
    is_measured: bool = False

    @property
    def name(self) -> str:
        """For the table."""
        if self.share is None:
            return self.why.partition(":")[0]
        if self.is_measured:
            return f"unprotected line, measured p {self.share:.2g}"
        return "detectable" if self.share == 0.0 else f"detectable, p {self.share:.2g}"

    def bound(self, trials: int) -> int | None:
        """Most false readings that the class allows, with 99.9 % confidence; None where nothing is promised."""
        return None if self.share is None else binomial_bound(trials, self.share)


def class_of(meter: Meter, fault: Fault) -> Class:
    """The class of a fault on this meter's wire."""
    if fault in UNDETECTABLE:
        return Class(
            None, "undetectable: a sound answer without a number of its question"
        )
    if fault is Fault.MIXED:
        return _of_mixed(meter)
    if fault in _ALWAYS:
        return Class(0.0, "no bytes, or a sound answer that says what it is")
    if meter.checksum:
        return _of_checked(meter, fault)
    return _of_unprotected(meter, fault)


def _of_mixed(meter: Meter) -> Class:
    mixed = [class_of(meter, fault) for fault in mixed_of(meter)]
    known = [each.share for each in mixed if each.share is not None]
    if len(known) < len(mixed):
        return Class(None, "unprotected: among others")
    is_measured = any(each.is_measured for each in mixed)
    return Class(max(known), "the worst of those mixed", is_measured=is_measured)


def _of_checked(meter: Meter, fault: Fault) -> Class:
    if fault is Fault.FLIPPED:
        if meter.checksum in _DISTANCE_4:
            return Class(0.0, "a CRC of Hamming distance 4 sees up to 3 bits")
        share = _SAME_COLUMN_OF_DIGITS if meter.is_text else _SAME_COLUMN
        return Class(share, "two flips in one column of a sum cancel")
    if _is_too_short(meter, fault):
        return Class(0.0, "its length is known")
    if fault in {Fault.ECHO, Fault.OTHER_QUESTION} and (
        meter.is_text or meter.has_unit
    ):
        return Class(0.0, "its beginning and its parts are known")
    return Class(2.0**-meter.checksum_bits, "the checksum's bits")


def _is_too_short(meter: Meter, fault: Fault) -> bool:
    return (
        fault in {Fault.CUT, Fault.TAKEN}
        and meter.has_fixed_width
        and not meter.is_streamed
    )


def _of_unprotected(meter: Meter, fault: Fault) -> Class:
    if meter.is_text and fault in {
        Fault.CUT,
        Fault.ECHO,
        Fault.OTHER_QUESTION,
        Fault.STORM,
    }:
        return Class(0.0, "no line end, or no numbers")
    if (
        meter.is_text
        and meter.has_fixed_width
        and fault in {Fault.INSERTED, Fault.RESTART}
    ):
        return Class(0.0, "the pattern has one length")
    if _is_too_short(meter, fault):
        return Class(0.0, "its length is known")
    measured = MEASURED.get(meter.name, {}).get(fault)
    if measured is not None:
        return Class(measured, "unprotected: no checksum", is_measured=True)
    # What is left of two lines of a stream in a row can be the beginning of one and the end of the next.
    return Class(None, "unprotected: no checksum")


def binomial_bound(trials: int, share: float) -> int:
    """The number that a binomial count exceeds with at most 0.1 % probability.

    Closed form: sum of the probabilities from none on.
    """
    if share == 0.0 or trials == 0:
        return 0
    total = 0.0
    for count in range(trials + 1):
        log = (
            math.lgamma(trials + 1)
            - math.lgamma(count + 1)
            - math.lgamma(trials - count + 1)
        )
        total += math.exp(
            log + count * math.log(share) + (trials - count) * math.log1p(-share)
        )
        if total >= _CONFIDENCE:
            return count
    return trials
