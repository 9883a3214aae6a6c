"""What hidden meters measure, and the registers in which they keep it, drawn at random."""

import dataclasses
import random
import struct
import threading
import time
from collections.abc import Sequence

_NOISE = 1e-4
_REFRESH_S = 0.1


class Truth:
    """What is true, held for a refresh: the display and the wire show the same."""

    def __init__(
        self,
        draw: random.Random,
        levels: dict[str, Sequence[float]],
        *,
        noise: float = _NOISE,
    ) -> None:
        self.noise = noise
        self._draw = draw
        self._levels = levels
        self._held: dict[str, float] = {}
        self._until_s = 0.0
        self._lock = threading.Lock()
        self.load = 0

    def change(self) -> None:
        """The next load; after the last one the first again."""
        with self._lock:
            self.load += 1
            self._until_s = 0.0

    def level(self, name: str) -> float:
        """Without noise."""
        levels = self._levels[name]
        return levels[self.load % len(levels)]

    def now(self, name: str) -> float:
        """As the meter holds it."""
        with self._lock:
            now_s = time.monotonic()
            if now_s >= self._until_s:
                self._until_s = now_s + _REFRESH_S
                self._held = {
                    each: self.level(each) * (1.0 + self._draw.gauss(0.0, self.noise))
                    for each in self._levels
                }
            return self._held[name]


def electrical_levels(draw: random.Random) -> dict[str, Sequence[float]]:
    """Levels at four loads, the last of which no search ever sees."""
    supply_v = draw.uniform(222.0, 242.0)
    currents = [
        draw.uniform(0.1, 0.6),
        draw.uniform(2.0, 8.0),
        draw.uniform(1.0, 9.0),
        draw.uniform(3.0, 9.5),
    ]
    factors = [draw.uniform(0.5, 0.98) for _ in currents]
    voltages = [supply_v - draw.uniform(0.4, 0.9) * amperes for amperes in currents]
    powers = [v * i * f for v, i, f in zip(voltages, currents, factors, strict=True)]
    return {"voltage": voltages, "current": currents, "power": powers}


@dataclasses.dataclass(frozen=True)
class Place:
    """Where and how the meter keeps a value."""

    address: int
    kind: str
    order: str
    scale: float

    @property
    def size(self) -> int:
        return 1 if self.kind.endswith("16") else 2

    def words(self, value: float) -> dict[int, int]:
        code = {"u16": ">H", "s16": ">h", "u32": ">I", "s32": ">i", "f32": ">f"}
        raw = value / self.scale if self.kind == "f32" else round(value / self.scale)
        data = struct.pack(code[self.kind], raw)
        a = [data[i : i + 2] for i in range(0, len(data), 2)]
        if self.order in ("CDAB", "DCBA"):
            a.reverse()
        if self.order in ("BADC", "DCBA"):
            a = [pair[::-1] for pair in a]
        return {
            self.address + i: int.from_bytes(pair, "big") for i, pair in enumerate(a)
        }


def drawn_map(draw: random.Random) -> tuple[dict[str, Place], str]:
    kinds = draw.choice(
        (
            ("u16", "u16", "u16"),
            ("s16", "s16", "s16"),
            ("u16", "u16", "u32"),
            ("u32", "u32", "u32"),
            ("s32", "s32", "s32"),
            ("f32", "f32", "f32"),
            ("f32", "f32", "f32"),
        )
    )
    order = draw.choice(("ABCD", "ABCD", "CDAB", "CDAB", "BADC", "DCBA"))
    if "16" in kinds[0]:
        order = draw.choice(("ABCD", "CDAB"))
    scales = (
        draw.choice((0.1, 0.01)),
        draw.choice((0.01, 0.001)),
        draw.choice((1.0, 0.1)),
    )
    names = ["voltage", "current", "power"]
    gap = draw.choice((0, 0, 0, 1, 2))
    address = draw.choice((0, 0, 1, draw.randint(2, 100)))
    places = {}
    for index in draw.sample(range(3), 3):
        scale = 1.0 if kinds[index] == "f32" else scales[index]
        places[names[index]] = Place(address, kinds[index], order, scale)
        address += places[names[index]].size + gap
    described = ", ".join(
        f"{name} {p.address} {p.kind} {p.order} x{p.scale:g}"
        for name, p in places.items()
    )
    return {name: places[name] for name in names}, described


def other_registers(draw: random.Random, places: dict[str, Place]) -> dict[int, int]:
    """What else the meter holds: nothing, zeros, or settings and counters that look like values."""
    taken = {a for place in places.values() for a in place.words(1.0)}
    style = draw.choice(("none", "zeros", "junk"))
    held: dict[int, int] = {}
    first, last = min(taken), max(taken)
    if style != "none":
        held = dict.fromkeys(range(max(0, first - 8), min(128, last + 12)), 0)
    else:
        held = dict.fromkeys(range(first, last + 1), 0)
    if style == "junk":
        for address in held:
            held[address] = draw.choice(
                (
                    0,
                    1,
                    2300,
                    230,
                    500,
                    5000,
                    draw.randint(0, 65535),
                    draw.randint(0, 999),
                )
            )
    return {a: word for a, word in held.items() if a not in taken}
