"""A terminal that a test types at."""

import os


class Terminal:
    """A pseudo-terminal for input and drawing; its other end can be let go of."""

    def __init__(self) -> None:
        self._master: int | None
        self._master, slave = os.openpty()
        self.stdin = os.fdopen(slave, "r", encoding="utf-8")
        self.stdout = os.fdopen(os.dup(slave), "w", encoding="utf-8")

    def type(self, keys: bytes) -> None:
        assert self._master is not None
        os.write(self._master, keys)

    def hang_up(self) -> None:
        if self._master is not None:
            os.close(self._master)
        self._master = None

    def close(self) -> None:
        self.hang_up()
        self.stdin.close()
        self.stdout.close()
