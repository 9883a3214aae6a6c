"""The one clock: bench time for readings and trials, wire time for serial lines, UTC for the record.

Bench time is a monotonic clock that goes on while the computer sleeps, so that a suspended computer shows as a gap. In a
demonstration it runs `speed` times as fast as life, and so do machine and meters of the simulators. Wire time is
the same clock at the speed of life, always: characters, silences and time-outs are never accelerated. UTC is attached through recorded
offsets, so setting the computer's clock harms nothing. Whether it was set is looked at whenever a moment's UTC is asked
for: what the old one was still seen to hold for keeps it, what came after has the new one.
"""

import time
import uuid
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

_OFFSET_EVERY_S = 60.0
_OFFSET_STEP_US = 50_000
_EARLIER_OFFSETS = 4
"""Kept for what is told late, as by a meter that lags [1]."""


def _since_boot_s() -> float:
    return time.clock_gettime(_BOOT_CLOCK)


_BOOT_CLOCK = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


def _utc_us() -> int:
    return time.time_ns() // 1000


def _boot_id() -> str:
    try:
        return (
            Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        )
    except OSError:
        # Where the system names no boot, times of different runs must not be compared.
        return str(uuid.uuid4())


@dataclass(frozen=True, slots=True)
class ClockOffset:
    """What ties bench time to UTC at one moment.

    Attributes:
        boot_id: Bench times are comparable within one boot only.
        monotonic_s: Bench time [s].
        utc_us: The same moment in UTC [us since 1970].
        speed: Bench seconds a real second [1].
    """

    boot_id: str
    monotonic_s: float
    utc_us: int
    speed: float

    def utc_us_at(self, bench_s: float) -> int:
        """UTC of a bench time [us since 1970]."""
        return self.utc_us + round((bench_s - self.monotonic_s) / self.speed * 1e6)


class Clock:
    """Reads the computer's clocks; the readers can be replaced by a test's."""

    def __init__(
        self,
        *,
        speed: float = 1.0,
        since_boot_s: Callable[[], float] = _since_boot_s,
        utc_us: Callable[[], int] = _utc_us,
        boot_id: str | None = None,
    ) -> None:
        self.speed = speed
        self.wire_s = since_boot_s
        self._utc_us = utc_us
        self._boot_id = boot_id or _boot_id()
        self._offset = self._take_offset()
        self._held_to_s = self._offset.monotonic_s
        self._earlier: deque[tuple[float, ClockOffset]] = deque(maxlen=_EARLIER_OFFSETS)

    def bench_s(self) -> float:
        """Bench time now [s]."""
        return self.wire_s() * self.speed

    def bench_from_wire(self, wire_s: float) -> float:
        """Bench time of a wire time [s]."""
        return wire_s * self.speed

    def real_s(self, bench_s: float) -> float:
        """Real duration of a duration in bench time [s]."""
        return bench_s / self.speed

    @property
    def offset(self) -> ClockOffset:
        """The offset in force."""
        return self._offset

    def offset_at(self, bench_s: float) -> ClockOffset:
        """The offset that holds for a bench time; a fresh one once a minute has passed or UTC was stepped."""
        self._look()
        for held_to_s, offset in self._earlier:
            if bench_s <= held_to_s:
                return offset
        return self._offset

    def _look(self) -> None:
        fresh = self._take_offset()
        due = (
            fresh.monotonic_s - self._offset.monotonic_s
        ) / self.speed >= _OFFSET_EVERY_S
        stepped = (
            abs(fresh.utc_us - self._offset.utc_us_at(fresh.monotonic_s))
            > _OFFSET_STEP_US
        )
        if due or stepped:
            self._earlier.append((self._held_to_s, self._offset))
            self._offset = fresh
        self._held_to_s = fresh.monotonic_s

    def utc_text(self, bench_s: float | None = None) -> str:
        """UTC of a bench time, or of now, as RFC 3339 with milliseconds."""
        us = self._utc_us() if bench_s is None else self.utc_us_at(bench_s)
        return rfc3339(us)

    def utc_us_at(self, bench_s: float) -> int:
        """UTC of a bench time, as the computer had it then [us since 1970]."""
        return self.offset_at(bench_s).utc_us_at(bench_s)

    def _take_offset(self) -> ClockOffset:
        return ClockOffset(self._boot_id, self.bench_s(), self._utc_us(), self.speed)


def rfc3339(utc_us: int) -> str:
    """A moment as RFC 3339 with milliseconds and Z."""
    seconds, us = divmod(utc_us, 1_000_000)
    whole = datetime.fromtimestamp(seconds, UTC)
    return f"{whole:%Y-%m-%dT%H:%M:%S}.{us // 1000:03d}Z"
