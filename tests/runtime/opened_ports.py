"""A port as tests open it, and what it calls back."""

import random
from dataclasses import dataclass, field
from pathlib import Path

from daq.config.bench import PortSettings
from daq.errors import PortLostError
from daq.runtime.ports import Port, open_port
from tests.runtime.waiting import until

BAUD = 115_200
NOISE = random.Random(1).randbytes(200_000)  # noqa: S311 - bytes of every kind, no secret
"""More than a pseudo-terminal holds: the system keeps some 64 KiB on the way."""


def settings(url: str | Path) -> PortSettings:
    return PortSettings(str(url), BAUD, 8, "none", 1)


@dataclass
class Heard:
    """What a port called back."""

    now_s: float = 0.0
    data: list[tuple[bytes, float]] = field(default_factory=list)
    lost: list[PortLostError] = field(default_factory=list)

    @property
    def all(self) -> bytes:
        return b"".join(data for data, _ in self.data)

    async def until(self, data: bytes) -> None:
        """Wait until that, and nothing else, was heard."""
        await until(lambda: len(self.all) >= len(data))
        assert self.all == data

    def wire_s(self) -> float:
        return self.now_s

    def take(self, data: bytes, at: float) -> None:
        self.data.append((data, at))


async def open_by_url(url: str | Path, heard: Heard) -> Port:
    return await open_port(
        settings(url),
        wire_s=heard.wire_s,
        on_data=heard.take,
        on_lost=heard.lost.append,
    )
