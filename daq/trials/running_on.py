"""How long the machine has been running as far as anybody knows, and whether that is longer than it may.

A trial begins with a switching on that was seen; a machine that was found running, or was switched on during a pause,
runs just as long without one.
"""


class RunningOn:
    """One running of the machine after the other.

    Attributes:
        since_s: When it was switched on, or first seen running [s]; None while nothing says that it runs.
    """

    def __init__(self, longest_s: float) -> None:
        """It stands still.

        Args:
            longest_s: It may run without the operator's word [s].
        """
        self.since_s: float | None = None
        self._longest_s = longest_s
        self._until_s = float("inf")

    def begins(self, at_s: float) -> None:
        """It was switched on [s]."""
        self.since_s, self._until_s = at_s, at_s + self._longest_s

    def ends(self) -> None:
        """It was switched off, as far as anybody knows."""
        self.since_s, self._until_s = None, float("inf")

    def may_go_on(self, now_s: float) -> None:
        """The operator is there and lets it run, as long again from now on [s]."""
        self._until_s = now_s + self._longest_s

    def overdue_since_s(self, now_s: float) -> float | None:
        """Since when it should have been switched off [s]; None where it need not be."""
        is_overdue = self.since_s is not None and now_s >= self._until_s
        return self._until_s if is_overdue else None
