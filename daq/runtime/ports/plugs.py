"""Which adapter was unplugged, and whether it came back: looks are compared, no clock and no device is touched.

An adapter is told again by what it is and where it is plugged in. One that comes back into another socket is recognised by
its kind if only one of that kind is missing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from daq.runtime.ports.adapters import Adapter


class Plugging(StrEnum):
    """What happened to an adapter."""

    GONE = "gone"
    BACK = "back"
    MOVED = "moved"
    NEW = "new"


@dataclass(frozen=True, slots=True)
class Change:
    """One adapter and what happened to it; a moved one as it is now."""

    what: Plugging
    adapter: Adapter


_Key = tuple[str, ...]


def _key(adapter: Adapter) -> _Key:
    return (*adapter.kind, adapter.place or adapter.device)


class PlugWatch:
    """Adapters as they were at first, and what has changed since."""

    def __init__(self, first: Sequence[Adapter]) -> None:
        self._there = {_key(a): a for a in first if a.is_usb}
        self._missing: dict[_Key, Adapter] = {}
        self._arriving: set[_Key] = set()
        self._has_changed = False

    @property
    def is_whole_again(self) -> bool:
        """Whether something was unplugged and nothing is missing now."""
        return self._has_changed and not self._missing and not self._arriving

    @property
    def missing(self) -> tuple[Adapter, ...]:
        """What was unplugged and has not come back."""
        return tuple(self._missing.values())

    def look(self, now: Sequence[Adapter]) -> list[Change]:
        """What changed since the last look."""
        seen = {_key(a): a for a in now if a.is_usb}
        changes = [self._gone(key) for key in list(self._there) if key not in seen]
        # The system makes paths and permissions a moment after the port: an arrival counts once it is seen again.
        arrived = [k for k in seen if k in self._arriving]
        self._arriving = {k for k in seen if k not in self._there} - set(arrived)
        return changes + [self._arrived(key, seen[key]) for key in arrived]

    def _gone(self, key: _Key) -> Change:
        self._has_changed = True
        adapter = self._there.pop(key)
        self._missing[key] = adapter
        return Change(Plugging.GONE, adapter)

    def _arrived(self, key: _Key, adapter: Adapter) -> Change:
        self._there[key] = adapter
        if self._missing.pop(key, None) is not None:
            return Change(Plugging.BACK, adapter)
        alike = [k for k, a in self._missing.items() if a.kind == adapter.kind]
        if len(alike) == 1:
            del self._missing[alike[0]]
            return Change(Plugging.MOVED, adapter)
        return Change(Plugging.NEW, adapter)
