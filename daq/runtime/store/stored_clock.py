"""One row of the clocks: how bench time and UTC went together from then on."""

from dataclasses import dataclass

CLOCK_COLUMNS = "id, boot_id, monotonic_s, utc_us, speed"
"""In the order of the fields of a StoredClock."""


@dataclass(frozen=True, slots=True)
class StoredClock:
    """A run's clock as it began, or as it was after UTC was set.

    Attributes:
        number: Of the row.
        boot_id: Of the computer's start; `monotonic_s` counts within it.
        monotonic_s: Bench time [s].
        utc_us: UTC at that moment [us since 1970].
        speed: Bench seconds a second [1].
    """

    number: int
    boot_id: str
    monotonic_s: float
    utc_us: int
    speed: float
