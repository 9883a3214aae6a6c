"""Instruments that send binary frames of a fixed length, by themselves or when asked.

`layout` knows where values and the checksum stand in a frame, `streamed` finds frames in
what comes unasked, `polled` judges what comes after a request. There is no standard for
such frames: what a maker's document says of them stands in the profile.
"""

from daq.protocols.fixed_frames.layout import (
    DecimalPoint,
    FrameBits,
    FrameChecksum,
    FrameField,
    FrameLayout,
)
from daq.protocols.fixed_frames.polled import PolledFrames
from daq.protocols.fixed_frames.streamed import StreamedFrames

__all__ = [
    "DecimalPoint",
    "FrameBits",
    "FrameChecksum",
    "FrameField",
    "FrameLayout",
    "PolledFrames",
    "StreamedFrames",
]
