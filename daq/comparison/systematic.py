"""A meter's errors taken apart into what two trials have in common and what each has for itself.

A meter that reads 0.4 % too much does so under every condition: of that error nothing is left in a ratio, and little in
a difference. What is not stated apart is split by a share that the plan may set, and that every output names.
"""

import math
from collections.abc import Iterator, Sequence

from daq.comparison.observations import ErrorPart
from daq.records import Accuracy, Contribution, Evaluation

COMMON_SHARE = 0.8
"""Share of the variance of a percent-of-reading error that two trials have in common [1]; our assumption."""


def error_parts(
    channel: str,
    mean: float,
    contributions: Sequence[Contribution],
    accuracy: Accuracy,
    *,
    common_share: float = COMMON_SHARE,
) -> tuple[ErrorPart, ...]:
    r"""Systematic errors of one channel's average.

    .. math:: u_\mathrm{common} = \sqrt{s} \, |x| p_r / (100 \sqrt3), \quad
        u_\mathrm{own}^2 = u^2 - u_\mathrm{common}^2

    for an accuracy in one piece, u being what it makes in all; a certificate likewise with all of it a share of the reading.

    Args:
        channel: Name of the meter and what it reads; a meter that was changed or moved gets another [any text].
        mean: The average x [unit of the channel].
        contributions: Its budget [unit of the channel]; type A is not looked at.
        accuracy: What the profile states [units there].
        common_share: s [1], 0 to 1, of what is percent of reading and not stated apart.

    Returns:
        Errors [unit of the channel], shares of the reading with its sign; gain and offset stated apart are common,
        everything else is not but for the share.

    Raises:
        ValueError: If the share is outside 0 … 1.

    Validity:
        Same meter, same range, not moved. Percents are those of the average; the meter's zero is small beside it.

    Source:
        JCGM 100:2008 (GUM), 5.2.2 and F.1.2.3 on what two results have in common; the share is our own assumption.
    """
    if not 0.0 <= common_share <= 1.0:
        msg = f"common share {common_share}, expected 0 to 1"
        raise ValueError(msg)
    return tuple(
        part
        for contribution in contributions
        if contribution.kind is Evaluation.TYPE_B
        for part in _parts(channel, mean, contribution, accuracy, common_share)
        if part.std_uncertainty != 0.0
    )


def _parts(
    channel: str,
    mean: float,
    contribution: Contribution,
    accuracy: Accuracy,
    share: float,
) -> Iterator[ErrorPart]:
    name, u = contribution.name, contribution.std_uncertainty
    source = f"{channel}: {name}"
    if name == "offset":
        yield ErrorPart(source, u, is_common=True)
        return
    if name == "gain":
        yield ErrorPart(source, math.copysign(u, mean), is_common=True)
        return
    proportional = 0.0
    if name == "accuracy":
        proportional = abs(mean) * accuracy.percent_of_reading / 100.0 / math.sqrt(3.0)
    elif name == "certificate":
        proportional = u
    common = math.sqrt(share) * min(proportional, u)
    yield ErrorPart(f"{source}, common", math.copysign(common, mean), is_common=True)
    rest = math.sqrt(max(u**2 - common**2, 0.0))
    yield ErrorPart(source, rest, is_common=False)
