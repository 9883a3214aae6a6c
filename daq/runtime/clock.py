"""The one clock: bench time for readings and trials, wire time for serial lines, UTC for the record.

Bench time is a monotonic clock that goes on while the computer sleeps, so that a suspended computer shows as a gap. In a
demonstration it runs `speed` times as fast as life, and so do machine and meters of the simulators. Wire time is
the same clock at the speed of life, always: characters, silences and time-outs are never accelerated. UTC is attached through recorded
offsets, so setting the computer's clock harms nothing.
"""

import time
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

_OFFSET_EVERY_S = 60.0
_OFFSET_STEP_US = 50_000


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

    def new_offset(self) -> ClockOffset | None:
        """A fresh offset once a minute has passed or UTC was stepped; None while the last one holds."""
        fresh = self._take_offset()
        due = (
            fresh.monotonic_s - self._offset.monotonic_s
        ) / self.speed >= _OFFSET_EVERY_S
        stepped = (
            abs(fresh.utc_us - self._offset.utc_us_at(fresh.monotonic_s))
            > _OFFSET_STEP_US
        )
        if not (due or stepped):
            return None
        self._offset = fresh
        return fresh

    def utc_text(self, bench_s: float | None = None) -> str:
        """UTC of a bench time, or of now, as RFC 3339 with milliseconds."""
        us = self._utc_us() if bench_s is None else self._offset.utc_us_at(bench_s)
        return rfc3339(us)

    def _take_offset(self) -> ClockOffset:
        return ClockOffset(self._boot_id, self.bench_s(), self._utc_us(), self.speed)


def rfc3339(utc_us: int) -> str:
    """A moment as RFC 3339 with milliseconds and Z."""
    seconds, us = divmod(utc_us, 1_000_000)
    whole = datetime.fromtimestamp(seconds, UTC)
    return f"{whole:%Y-%m-%dT%H:%M:%S}.{us // 1000:03d}Z"
