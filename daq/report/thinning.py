"""Fewer points than readings, with every peak among them."""

import numpy as np
from numpy.typing import NDArray


def thinned(
    times: NDArray[np.float64], values: NDArray[np.float64], *, buckets: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lowest and highest of each stretch of time, in order.

    Args:
        times: Rising [s]. Shape (n,).
        values: Finite [any unit]. Shape (n,).
        buckets: Stretches of equal length [1], >= 1.

    Returns:
        At most two points a stretch; all of them where there are no more.
    """
    if len(times) <= 2 * buckets:
        return times, values
    width = (times[-1] - times[0]) / buckets or 1.0
    stretch = np.minimum((times - times[0]) // width, buckets - 1)
    first = np.flatnonzero(np.diff(stretch, prepend=-1.0))
    kept: set[int] = set()
    for start, end in zip(first, [*first[1:], len(times)], strict=True):
        part = values[start:end]
        kept |= {int(start + part.argmin()), int(start + part.argmax())}
    chosen = np.array(sorted(kept))
    return times[chosen], values[chosen]
