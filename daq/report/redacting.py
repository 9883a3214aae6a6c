"""What a published report leaves out: paths, names of computers, serial numbers, notes.

Two nets. What is private by its place (ports, the computer's name, notes) is left out whole; any other text is searched for
what looks like a path, an address or a serial number, and for the private names that are known. Neither net is perfect:
whoever publishes is told to look through it.
"""

import dataclasses
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum, StrEnum
from pathlib import PurePath
from typing import TypeVar

from daq.report.content import INSTRUCTION, Instrument, ReportContent

LEFT_OUT = "[left out]"


class Private(StrEnum):
    """Kinds of what is left out unless it is kept on purpose."""

    PATHS = "paths"
    HOST = "host"
    SERIALS = "serials"
    NOTES = "notes"


_PATTERNS: Mapping[Private, re.Pattern[str]] = {
    Private.PATHS: re.compile(
        r"""(?<![\w/.])(?:~|\.{1,2})?/(?:[^\s/,;:'"()\[\]]+/)+[^\s/,;:'"()\[\]]*"""
        r"""|(?<![\w/.])~/[^\s,;:'"()\[\]]+|\b[A-Za-z]:[\\/][^\s,;'"]+|\bCOM\d{1,3}\b"""
        # A file server's share.
        r"""|(?<![\w\\])\\\\[^\s,;'"\\]+(?:\\[^\s,;'"\\]*)+"""
    ),
    Private.HOST: re.compile(
        r"""\b[a-z][a-z0-9+.-]*://[^\s,;'"]+|\b\d{1,3}(?:\.\d{1,3}){3}\b|\b[\w.+-]+@[\w-]+(?:\.[\w-]+)+\b"""
        # A network card's address, one of the sixth version, a name of the local network, a host with its port.
        r"""|\b(?:[0-9a-f]{2}[:-]){5}[0-9a-f]{2}\b|(?<![\w:])(?:[0-9a-f]{1,4}:){1,7}:?(?::[0-9a-f]{1,4}){1,7}(?![\w:])"""
        r"""|\b[\w-]+(?:\.[\w-]+)*\.(?:local|lan|home|internal)\b|\b[a-z][\w-]*[\w.]*:\d{2,5}\b(?!:)""",
        re.IGNORECASE,
    ),
    Private.SERIALS: re.compile(
        r"""\b(?:s/n|sn|ser(?:ial)?\.?[\s-]*(?:no\.?|number|nr\.?)?)[\s:#=._-]*(?=[a-z0-9-]*\d)[a-z0-9][a-z0-9-]{3,}\b""",
        re.IGNORECASE,
    ),
}
_SHORTEST = 3
"""Shorter names would be found in the middle of everything."""

_Value = TypeVar("_Value")


@dataclass(frozen=True, slots=True)
class Redaction:
    """What is left out of texts.

    Attributes:
        kept: What is kept on purpose.
        names: Private names that are known, by what they are.
    """

    kept: frozenset[Private] = frozenset()
    names: Mapping[Private, tuple[str, ...]] = field(default_factory=dict)

    def text(self, text: str) -> str:
        """A text without what is private."""
        for kind in Private:
            if kind in self.kept:
                continue
            for name in sorted(self.names.get(kind, ()), key=len, reverse=True):
                if len(name) >= _SHORTEST:
                    whole = rf"(?<!\w){re.escape(name)}(?!\w)"
                    text = re.sub(whole, LEFT_OUT, text, flags=re.IGNORECASE)
            if pattern := _PATTERNS.get(kind):
                text = pattern.sub(LEFT_OUT, text)
        return text

    def value(self, value: _Value) -> _Value:
        """A record, or whatever holds texts, with each text without what is private."""
        result: object = value
        if isinstance(value, Enum):
            return value
        if isinstance(value, str):
            result = self.text(value)
        elif isinstance(value, tuple):
            result = tuple(map(self.value, value))
        elif isinstance(value, Mapping):
            result = {self.value(k): self.value(v) for k, v in value.items()}
        elif dataclasses.is_dataclass(value) and not isinstance(value, type):
            parts = {
                f.name: self.value(getattr(value, f.name))
                for f in dataclasses.fields(value)
            }
            result = dataclasses.replace(value, **parts)
        return result  # type: ignore[return-value]  # each branch gives back what it was given

    def note(self, note: str) -> str:
        """A note, where notes are kept."""
        return self.text(note) if Private.NOTES in self.kept else ""


def redacted(content: ReportContent, redaction: Redaction) -> ReportContent:
    """A report without what is private."""
    figures = content.comparison.figures
    left_out = tuple(
        dataclasses.replace(each, note=redaction.note(each.note))
        for each in figures.left_out
    )
    comparison = dataclasses.replace(
        content.comparison, figures=dataclasses.replace(figures, left_out=left_out)
    )
    traces = tuple(
        dataclasses.replace(each, note=redaction.note(each.note))
        for each in content.traces
    )
    store, commands = content.store, content.commands
    if Private.PATHS not in redaction.kept:
        store = PurePath(content.store).name
        commands = tuple(each.replace(content.store, store) for each in commands)
    keeps_notes = Private.NOTES in redaction.kept
    return redaction.value(
        dataclasses.replace(
            content,
            comparison=comparison,
            traces=traces,
            instruments=tuple(
                _without_port(each, redaction) for each in content.instruments
            ),
            plan=tuple(
                fact for fact in content.plan if keeps_notes or fact[0] != INSTRUCTION
            ),
            store=store,
            commands=commands,
            host=content.host if Private.HOST in redaction.kept else "",
            is_published=True,
        )
    )


def _without_port(instrument: Instrument, redaction: Redaction) -> Instrument:
    if Private.PATHS in redaction.kept:
        return instrument
    profile = PurePath(instrument.profile).name
    return dataclasses.replace(instrument, port="", profile=profile)
