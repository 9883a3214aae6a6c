"""What the page's server needs of the bench behind it."""

from typing import Protocol

from daq.operations import Operation


class Face(Protocol):
    """Answers are ready JSON texts; what takes long is asynchronous and burns no time of the event loop."""

    def state(self) -> str:
        """The whole snapshot."""

    async def trace(self) -> str:
        """Recent readings of every channel."""

    async def funnel(self) -> str:
        """How the required channels of the trial in hand have come to settle so far."""

    async def plans(self) -> str:
        """Plans that a session can be started with."""

    async def sessions(self) -> str:
        """Stored sessions, newest first."""

    async def session(self, number: int) -> str | None:
        """One stored session; None where there is none of that number."""

    async def trial_trace(self, session: int, trial: int) -> str | None:
        """Readings of one stored trial; None where there is none of that number in that session."""

    async def operate(self, operation: Operation, *, way: str) -> str:
        """Carry out what the operator asks for; returns a sentence that says what was done.

        Args:
            operation: What is asked.
            way: How it came: "page", "command line", "broker".

        Raises:
            OperationRefusedError: If it cannot be done now.
        """
