"""Is the writer's thread getting on? A disk that hangs reports no error: it only never answers.

Pure: it is told the time and what it sees, and counts.
"""

STALLED_S = 5.0
"""So long rows may wait without a sign of the writer before it is trouble (real time) [s]."""

END_S = 10.0
"""So long a writer that is to end may give no sign while rows wait (real time) [s]."""

LAST_LOOK_S = 60.0
"""So long it may give none once all is written, while it looks through the file and closes it (real time) [s]."""

_LONGEST_STEP_S = 1.0


class Stalling:
    """How long the writer has given no sign although something waits for it.

    Attributes:
        waited_s: So long [s of real time]; 0 where nothing waits.
    """

    def __init__(self, now_s: float) -> None:
        self.waited_s = 0.0
        self._seen_s = now_s
        self._signs = 0

    @property
    def is_stalled(self) -> bool:
        """Whether that is trouble."""
        return self.waited_s >= STALLED_S

    def look(self, now_s: float, *, is_waiting: bool, signs: int) -> None:
        """Take in how it stands; to be called several times in every second.

        Args:
            now_s: Of a clock that is never set [s].
            is_waiting: Something waits to be written.
            signs: How often the writer has finished an attempt, whether it succeeded or not.
        """
        # If more has passed, it was this program that stood still, and the disk may be sound.
        passed_s = min(now_s - self._seen_s, _LONGEST_STEP_S)
        has_moved = signs != self._signs
        self._seen_s, self._signs = now_s, signs
        self.waited_s = (
            self.waited_s + passed_s if is_waiting and not has_moved else 0.0
        )
