"""Reads typed values out of a TOML table and collects everything that is wrong.

A reader goes on after a fault, with a stand-in for the value, so that all faults of a file
are told at once; whoever reads must look at `problems` before using anything. Knows
nothing of what the file describes.
"""

from collections.abc import Mapping, Sequence


class ConfigError(Exception):
    """A simulation file cannot be used; one line for each fault."""

    def __init__(self, problems: Sequence[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(self.problems))


class Table:
    """One table of a file; every read ticks its key off."""

    def __init__(
        self,
        content: Mapping[str, object],
        *,
        path: str,
        problems: list[str],
        defaults: "Table | None" = None,
    ) -> None:
        self.content: dict[str, object] = dict(defaults.content) if defaults else {}
        self.content.update(content)
        self._path = path
        self._problems = problems
        self._read: set[str] = set()

    def report(self, key: str, what: str) -> None:
        """Note a fault of a key: what is wrong, and what was expected."""
        self._problems.append(f"{self._path}{key}: {what}")

    def number(
        self,
        key: str,
        default: float | None = None,
        *,
        least: float = 0.0,
        most: float = float("inf"),
    ) -> float:
        """A number within limits, both of which it may reach."""
        value = self._value(key, default)
        if value is None:
            return least
        expected = f"expected a number from {least:g} to {most:g}"
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.report(key, f"got {value!r}, {expected}")
            return least
        if not least <= value <= most:
            self.report(key, f"got {value:g}, {expected}")
            return least
        return float(value)

    def whole(
        self, key: str, default: int | None = None, *, least: int, most: int
    ) -> int:
        """A whole number within limits, both of which it may reach."""
        value = self._value(key, default)
        if isinstance(value, int) and not isinstance(value, bool):
            if least <= value <= most:
                return value
        elif value is None:
            return least
        self.report(
            key, f"got {value!r}, expected a whole number from {least} to {most}"
        )
        return least

    def text(self, key: str, choices: Sequence[str] = ()) -> str:
        """A text that is not empty; one of the choices, where there are any."""
        value = self._value(key, None)
        if value is None:
            return ""
        expected = f"one of {', '.join(choices)}" if choices else "a text"
        if not isinstance(value, str) or not value.strip():
            self.report(key, f"got {value!r}, expected {expected}")
            return ""
        if choices and value not in choices:
            self.report(key, f"got {value!r}, expected {expected}")
        return value

    def table(self, key: str, *, defaults: "Table | None" = None) -> "Table":
        """A table inside this one; empty where it is missing."""
        self._read.add(key)
        value = self.content.get(key, {})
        if not isinstance(value, dict):
            self.report(key, f"got {value!r}, expected a table")
            value = {}
        return Table(
            value,
            path=f"{self._path}{key}.",
            problems=self._problems,
            defaults=defaults,
        )

    def tables(self, key: str) -> list["Table"]:
        """The tables of a list; at least one is expected."""
        value = self._value(key, None)
        if value is None:
            return []
        if not isinstance(value, list) or not value:
            self.report(key, f"got {value!r}, expected a list of tables")
            return []
        return [
            Table(
                entry if isinstance(entry, dict) else {},
                path=f"{self._path}{key}[{place}].",
                problems=self._problems,
            )
            for place, entry in enumerate(value, start=1)
        ]

    def finish(self) -> None:
        """Report the keys that nobody asked for."""
        for key in self.content.keys() - self._read:
            known = ", ".join(sorted(self._read))
            self.report(key, f"unknown key, expected one of {known}")

    def _value(self, key: str, default: object) -> object:
        self._read.add(key)
        value = self.content.get(key, default)
        if value is None:
            self.report(key, "missing, expected a value")
        return value
