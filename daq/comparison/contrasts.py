"""Differences to the baseline as weighted sums of trial means, with or without correction for the baseline's own drift.

A correction draws a straight line from each baseline trial to the next and takes every trial against that line: what
drifts evenly falls out, and each baseline trial then counts by how near it was.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.comparison.observations import Observation
from daq.repeats import Spread


@dataclass(frozen=True, slots=True)
class Contrast:
    """One condition's difference to the baseline.

    Attributes:
        condition: Name.
        difference: [unit of the quantity].
        variance_factor: Variance of the difference over that of one trial mean [1].
        baseline_share: Share of the baseline's trials in it [1], 0 to 1.
        weights: Of each observation, in their order [1].
    """

    condition: str
    difference: float
    variance_factor: float
    baseline_share: float
    weights: tuple[float, ...]


def contrasts(
    observations: Sequence[Observation], *, baseline: str, bracketing: bool
) -> list[Contrast]:
    r"""Difference of each condition to the baseline.

    .. math:: d = \frac1n \sum_j (y_j - b(t_j))

    where b is the mean of the baseline's trials, or, with bracketing, the straight line between the two baseline trials
    about t_j (the nearest one's value outside them).

    Args:
        observations: Of one quantity [unit of the quantity], in order of time.
        baseline: Name of the condition that the others are compared with.
        bracketing: Whether the baseline's drift is taken out [bool].

    Returns:
        One a condition other than the baseline, as they first came; none without a baseline trial.

    Validity:
        What drifts evenly from one baseline trial to the next is removed, curvature is not.

    Source:
        Substitution weighing A-B-A, as it is described in NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.3 (drift
        elimination by designs; the section is cited from memory).

    Example:
        >>> seen = [Observation(i, c, t, y, 0.0, 9.0) for i, (c, t, y) in enumerate([("A", 0, 100.0), ("B", 1, 96.3), ("A", 2, 100.6)])]
        >>> round(contrasts(seen, baseline="A", bracketing=True)[0].difference, 9)
        -4.0
    """
    rows = _against_baseline(observations, baseline, bracketing=bracketing)
    if rows is None:
        return []
    values = np.array([o.mean for o in observations])
    is_baseline = np.array([o.condition == baseline for o in observations])
    found = []
    for condition in dict.fromkeys(o.condition for o in observations):
        if condition == baseline:
            continue
        mine = [i for i, o in enumerate(observations) if o.condition == condition]
        weights = rows[mine].mean(axis=0)
        squares = weights**2
        found.append(
            Contrast(
                condition,
                float(weights @ values),
                float(squares.sum()),
                float(squares[is_baseline].sum() / squares.sum()),
                tuple(float(w) for w in weights),
            )
        )
    return found


def spread_without_drift(
    observations: Sequence[Observation], *, baseline: str
) -> Spread | None:
    r"""Spread between trials once the baseline's drift is taken out.

    .. math:: s^2 = \frac{r^T r}{\mathrm{tr} M}, \quad \nu = \frac{(\mathrm{tr} M)^2}{\mathrm{tr} M^2}, \quad
        r = R y, \quad M = R^T R

    with a residual for each repeat (against its condition's mean, all taken against the line between baseline trials) and
    for each baseline trial that has one before and one after it (against the line between those).

    Args:
        observations: Of one quantity [unit of the quantity], in order of time.
        baseline: Name of the condition that the others are compared with.

    Returns:
        Spread [same unit] with its degrees of freedom [1], not a whole number; None where nothing tells of one.

    Validity:
        Trial means of equal variance and independent but for an even drift. The distribution of s^2 is taken as that of
        chi squared with the same mean and variance.

    Source:
        F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110, for the degrees of freedom of a quadratic form.
    """
    rows = _against_baseline(observations, baseline, bracketing=True)
    if rows is None:
        return None
    residuals = [
        *_repeats(observations, rows, baseline),
        *_inner(observations, baseline),
    ]
    if not residuals:
        return None
    r = np.array(residuals)
    m = r.T @ r
    trace = float(np.trace(m))
    # Two trials at one moment, say: nothing is left of them.
    if trace < 1e-9:
        return None
    values = np.array([o.mean for o in observations])
    size = float(np.sum((r @ values) ** 2))
    return Spread((size / trace) ** 0.5, trace**2 / float(np.sum(m * m)))


def _against_baseline(
    observations: Sequence[Observation], baseline: str, *, bracketing: bool
) -> NDArray[np.float64] | None:
    """What turns trial means into differences to the baseline: a row a trial."""
    places = [i for i, o in enumerate(observations) if o.condition == baseline]
    if not places:
        return None
    rows = np.eye(len(observations))
    for i, observation in enumerate(observations):
        if bracketing:
            rows[i] -= _line(observations, places, observation.at_s)
        else:
            rows[i, places] -= 1.0 / len(places)
    return rows


def _line(
    observations: Sequence[Observation], places: Sequence[int], at_s: float
) -> NDArray[np.float64]:
    """Weights of the trials named, of the straight line through the two about a moment."""
    weights = np.zeros(len(observations))
    times = np.array([observations[i].at_s for i in places])
    after = int(np.searchsorted(times, at_s))
    if after == 0 or after == len(places):
        weights[places[min(after, len(places) - 1)]] = 1.0
        return weights
    width = times[after] - times[after - 1]
    share = (at_s - times[after - 1]) / width if width > 0.0 else 0.5
    weights[places[after - 1]] = 1.0 - share
    weights[places[after]] = share
    return weights


def _repeats(
    observations: Sequence[Observation], rows: NDArray[np.float64], baseline: str
) -> list[NDArray[np.float64]]:
    residuals = []
    for condition in dict.fromkeys(o.condition for o in observations):
        mine = [i for i, o in enumerate(observations) if o.condition == condition]
        if condition != baseline and len(mine) > 1:
            mean = rows[mine].mean(axis=0)
            residuals += [rows[i] - mean for i in mine]
    return residuals


def _inner(
    observations: Sequence[Observation], baseline: str
) -> list[NDArray[np.float64]]:
    places = [i for i, o in enumerate(observations) if o.condition == baseline]
    residuals = []
    for before, here, after in zip(places, places[1:], places[2:], strict=False):
        row = -_line(observations, [before, after], observations[here].at_s)
        row[here] += 1.0
        residuals.append(row)
    return residuals
