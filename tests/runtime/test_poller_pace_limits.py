"""What no rule can tell of a stream that comes in bursts: the same arrivals, with a line lost and with none."""

from collections.abc import Collection
from itertools import groupby

from daq.records import Reading
from daq.runtime.poller_pace import StreamPace

HANDED_OVER_EVERY = 398
"""As an adapter may, it hands over what has come since the last time [0.5 ms]."""
SLOWER, QUICKER = 200, 199
"""Intervals of two meters, half a percent apart: less than a profile knows of a meter's clock [0.5 ms]."""
BURSTS = 150


def arrivals(interval: int, lost: Collection[int] = ()) -> list[int]:
    """When the lines of a meter are handed over [0.5 ms]."""
    said = range(1, BURSTS * HANDED_OVER_EVERY, interval)
    return [
        -(-at // HANDED_OVER_EVERY) * HANDED_OVER_EVERY
        for number, at in enumerate(said)
        if number not in lost
    ]


def test_a_line_lost_in_a_burst_looks_like_a_slightly_slower_meter() -> None:
    whole = arrivals(SLOWER)
    sizes = [len(list(lines)) for _, lines in groupby(whole)]
    # Its lines drift against the bursts, so that now and then a burst has one less.
    assert set(sizes) == {1, 2}
    assert sizes.count(1) == 1
    short = sizes.index(1)
    # The quicker meter's lines fall into each burst by two, and it loses one there.
    assert arrivals(QUICKER, lost=[2 * short]) == whole
    assert arrivals(QUICKER) != whole


def test_so_nothing_is_told_of_it() -> None:
    pace = StreamPace("meter", refresh_s=0.0995, silence_s=0.5)
    told = []
    for place, arrived in enumerate(arrivals(SLOWER)):
        # A line takes its time on the wire, and none overtakes another.
        at_s = 5e-4 * arrived + 1e-6 * place
        reading = Reading("meter", at_s, (1.0,))
        told += pace.take(reading, silent_from_s=None)
    assert told == []
