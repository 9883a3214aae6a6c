"""What hidden meters measure, and the registers in which they keep it, drawn at random."""

import dataclasses
import math
import random
import struct
import threading
import time
from collections.abc import Sequence

_NOISE = 1e-4
_REFRESH_S = 0.1
_SEEN_LOADS = 3
_WANDER_PERIODS_S = (4.0, 40.0)


class Truth:
    """What is true, held for a refresh: the display and the wire show the same.

    Args:
        draw: For the noise.
        levels: By name, one for each load.
        noise: Relative, from refresh to refresh.
        wander: Relative, of the supply and with it of everything, slowly up and down.
        late_s: How long before he types it the operator has looked at the display [s].
    """

    def __init__(
        self,
        draw: random.Random,
        levels: dict[str, Sequence[float]],
        *,
        noise: float = _NOISE,
        wander: float = 0.0,
        late_s: float = 0.0,
    ) -> None:
        self.noise = noise
        self._wander, self._late_s = wander, late_s
        self._period_s = draw.uniform(*_WANDER_PERIODS_S) if wander else 1.0
        self._draw = draw
        self._levels = levels
        self._held: dict[str, float] = {}
        self._until_s = 0.0
        self._since_s = time.monotonic()
        self._lock = threading.Lock()
        self.load = 0

    def change(self) -> None:
        """The next load; after the third the first again."""
        self._change_to((self.load + 1) % _SEEN_LOADS)

    def change_to_unseen(self) -> None:
        """A load that no search ever sees."""
        self._change_to(_SEEN_LOADS)

    def _change_to(self, load: int) -> None:
        with self._lock:
            self.load = load
            self._until_s = 0.0
            self._since_s = time.monotonic()

    def level(self, name: str) -> float:
        """Without noise."""
        levels = self._levels[name]
        return levels[self.load % len(levels)]

    def allowance(self, name: str) -> float:
        """How far from its level a value may be."""
        return (6.0 * self.noise + self._wander) * abs(self.level(name))

    def _at(self, name: str, at_s: float) -> float:
        wandered = self._wander * math.sin(math.tau * at_s / self._period_s)
        noisy = 1.0 + self._draw.gauss(0.0, self.noise)
        return self.level(name) * (1.0 + wandered) * noisy

    def seen(self, name: str) -> float:
        """As the display had it when the operator looked; a load that began later shows as it began."""
        if not self._late_s:
            return self.now(name)
        with self._lock:
            looked_s = time.monotonic() - self._late_s
            return self._at(name, max(looked_s, self._since_s))

    def now(self, name: str) -> float:
        """As the meter holds it."""
        with self._lock:
            now_s = time.monotonic()
            if now_s >= self._until_s:
                self._until_s = now_s + _REFRESH_S
                self._held = {each: self._at(each, now_s) for each in self._levels}
            return self._held[name]


class Followers:
    """What meters keep beside a value, and what is easily taken for it.

    The greatest since they were switched on, an average over a long time, and volts times amperes beside watts.
    """

    def __init__(self, draw: random.Random, truth: Truth) -> None:
        self._truth = truth
        self._demand_s = draw.uniform(1.0, 60.0)
        self._most: dict[str, float] = {}
        self._mean: dict[str, float] = {}
        self._seen_s: dict[str, float] = {}

    def now(self, kind: str, name: str) -> float:
        """The follower of a value as it stands now."""
        value, now_s = self._truth.now(name), time.monotonic()
        self._most[name] = max(value, self._most.get(name, value))
        mean = self._mean.get(name, value)
        passed_s = now_s - self._seen_s.get(name, now_s)
        mean += (value - mean) * -math.expm1(-passed_s / self._demand_s)
        self._mean[name], self._seen_s[name] = mean, now_s
        if kind == "apparent":
            return self._truth.now("voltage") * self._truth.now("current")
        return {"peak": self._most, "demand": self._mean}[kind][name]


def drawn_followers(
    draw: random.Random, names: Sequence[str]
) -> tuple[tuple[str, str], ...]:
    """Kinds of followers, and of what: of none to all three."""
    kinds = draw.sample(("peak", "demand", "apparent"), draw.randint(0, 3))
    is_electrical = {"voltage", "current", "power"} <= set(names)
    return tuple(
        (kind, "power" if kind == "apparent" else draw.choice(names))
        for kind in kinds
        if kind != "apparent" or is_electrical
    )


def electrical_levels(
    draw: random.Random, *, small_share: float = 0.0
) -> dict[str, Sequence[float]]:
    """Levels at four loads: low, high, between them, and one that no search ever sees."""
    supply_v, ohms = draw.uniform(222.0, 242.0), draw.uniform(0.4, 0.9)
    high_a = draw.uniform(2.0, 8.0)
    currents = [
        draw.uniform(0.1, 0.6),
        high_a,
        draw.uniform(0.4, 0.8) * high_a,
        draw.uniform(3.0, 9.5),
    ]
    # A small machine that is on or off, and hardly pulls the supply down.
    if small_share and draw.random() < small_share:
        currents[:_SEEN_LOADS] = [0.0, draw.uniform(0.5, 1.0), 0.0]
    high = draw.uniform(0.5, 0.98)
    factors = [draw.uniform(0.5, 0.98), high, 0.95 * high, draw.uniform(0.5, 0.98)]
    voltages = [supply_v - ohms * amperes for amperes in currents]
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


_SEARCHED = 128
_BEYOND = 400
_NEAR = 24


@dataclasses.dataclass(frozen=True)
class Searched:
    """The registers that a search is told to read."""

    first: int = 0
    last: int = _SEARCHED - 1

    def must_find(self, place: Place) -> bool:
        """A value at least half of which lies within."""
        return any(self.first <= a <= self.last for a in place.words(1.0))


def with_value_out_of_reach(
    draw: random.Random, places: dict[str, Place]
) -> tuple[dict[str, Place], Searched]:
    """Now and then a value in registers that are not searched, so that its followers alone are there to be taken; now and
    then one that lies across the end of what is searched, or across its beginning.
    """
    style = draw.random()
    wide = [name for name, place in places.items() if place.size > 1]
    if style < 0.15:
        name = draw.choice(tuple(places))
        far = places[name].address + _BEYOND
        return {
            **places,
            name: dataclasses.replace(places[name], address=far),
        }, Searched()
    if style < 0.4 and wide:
        across = places[draw.choice(wide)].address
        searched = Searched()
        if draw.random() < 0.5:
            first = draw.randint(_SEARCHED, 2 * _SEARCHED)
            searched = Searched(first, first + _SEARCHED - 1)
        ends = (searched.last, searched.first - 1)
        by = (draw.choice(ends) if searched.first else searched.last) - across
        moved = {
            name: dataclasses.replace(place, address=place.address + by)
            for name, place in places.items()
        }
        return moved, searched
    return places, Searched()


def near_addresses(places: dict[str, Place]) -> list[int]:
    """Where the values begin, without one that was put far away."""
    addresses = [place.address for place in places.values()]
    return [address for address in addresses if address <= min(addresses) + _NEAR]


def follower_places(
    draw: random.Random,
    followers: Sequence[tuple[str, str]],
    places: dict[str, Place],
) -> dict[tuple[str, str], Place]:
    """Free registers near the values, of the same type as the value that is followed."""
    near = near_addresses(places)
    taken = {a for place in places.values() for a in place.words(1.0)}
    kept: dict[tuple[str, str], Place] = {}
    address = max(near) + draw.choice((2, 3, 4))
    for follower in followers:
        place = dataclasses.replace(places[follower[1]], address=address)
        while taken & set(place.words(1.0)):
            place = dataclasses.replace(place, address=place.address + 1)
        kept[follower] = place
        address = place.address + place.size
    return kept


def other_registers(draw: random.Random, places: dict[str, Place]) -> dict[int, int]:
    """What else the meter holds: nothing, zeros, or settings and counters that look like values."""
    taken = {a for place in places.values() for a in place.words(1.0)}
    near = near_addresses(places)
    style = draw.choice(("none", "zeros", "junk"))
    held: dict[int, int] = {}
    first, last = min(near), max(near) + 1
    if style != "none":
        held = dict.fromkeys(range(max(0, first - 8), last + 12), 0)
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
