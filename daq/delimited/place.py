"""Errors in a delimited text that say where they are: file, line, column."""

from dataclasses import dataclass

from daq.errors import InputError

_MOST_QUOTED = 40
_MOST_SAID = 1200
"""Of an error with names of columns, whatever a file calls them [characters]."""


@dataclass(frozen=True, slots=True)
class Place:
    """A text, under the name by which its reader knows it."""

    source: str

    def error(
        self, line: int | None, problem: str, *, column: str | None = None
    ) -> InputError:
        """What is wrong here; without a line it is wrong with the whole text."""
        parts = [self.source]
        parts += [f"line {line}"] if line is not None else []
        parts += [column] if column is not None else []
        # Names of columns come from the file, and a terminal would obey what may stand in them.
        said = f"{', '.join(parts)}: {problem}"
        shown = "".join(c if c.isprintable() else " " for c in said)
        return InputError(_cut(shown, _MOST_SAID))


def quoted(text: str) -> str:
    """What was met, cut where it is long."""
    return repr(_cut(text.strip(), _MOST_QUOTED))


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[:most] + "…"
