"""What `daq watch` shows: a table drawn in place, plain lines, or a line of JSON for each message."""

import json
import os
from collections.abc import Callable, Mapping, Sequence
from types import TracebackType
from typing import Protocol, Self, TextIO

from daq.alarm_words import NOBODY_WATCHES
from daq.cli.watched import Watched
from daq.errors import InputError
from daq.messages import FORMAT, BenchState, Topics, parse_json, printable
from daq.wording import (
    time_left,
)

_VALUES_EVERY_S = 10.0
STAGES: Mapping[str, str] = {"not-settled": "not settled", "running-up": "running up"}


class Screen(Protocol):
    """Where a watch is shown."""

    def __enter__(self) -> Self:
        """Take the terminal."""

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Give it back."""

    def heard(self, topic: str, payload: bytes, *, is_kept: bool, utc: str) -> None:
        """A message has arrived."""

    def connection(self, *, is_there: bool, text: str, utc: str) -> None:
        """The connection was made or lost."""

    def event(self, text: str, *, utc: str) -> None:
        """Something is new."""

    def draw(self, watched: Watched, *, now_s: float, utc: str) -> None:
        """Show how it stands; several times a second."""


class _Lines:
    """Writes lines; a reader who has gone away is told of once."""

    def __init__(self, stream: TextIO, on_gone: Callable[[], None]) -> None:
        self._stream = stream
        self._on_gone = on_gone

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Nothing to give back."""

    def _line(self, text: str) -> None:
        try:
            self._stream.write(text + "\n")
            self._stream.flush()
        except OSError:
            # Whoever read has seen enough; nothing may be written at exit either.
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self._stream.fileno())
            os.close(nowhere)
            self._on_gone()


class PlainLines(_Lines):
    """A line when something changes, and the values now and then."""

    def __init__(self, stream: TextIO, on_gone: Callable[[], None]) -> None:
        super().__init__(stream, on_gone)
        self._shown = ""
        self._silent = False
        self._values_at_s: float | None = None

    def heard(self, topic: str, payload: bytes, *, is_kept: bool, utc: str) -> None:
        """Single messages are not shown."""

    def connection(self, *, is_there: bool, text: str, utc: str) -> None:
        """One line."""
        self._line(f"{utc}  {connection_sentence(is_there=is_there, text=text)}")

    def event(self, text: str, *, utc: str) -> None:
        """One line."""
        self._line(f"{utc}  {text}")

    def draw(self, watched: Watched, *, now_s: float, utc: str) -> None:
        """The instruction where it has changed, and the values where it is time."""
        if watched.state is not None:
            words = f"{watched.state.instruction} ({where_it_stands(watched.state)})"
            if words != self._shown:
                self._shown = words
                self._line(f"{utc}  {words.strip()}")
        silent_s = watched.silent_s(now_s)
        if (silent_s is not None) != self._silent:
            self._silent = silent_s is not None
            if silent_s is not None:
                self._line(f"{utc}  {silence_sentence(silent_s)}")
            elif watched.is_online:
                # Of a hung bench the broker says in the end that it is offline: that is told by itself.
                self._line(f"{utc}  It is heard again.")
        self._values(watched, now_s, utc)

    def _values(self, watched: Watched, now_s: float, utc: str) -> None:
        channels = watched.channels(now_s)
        is_due = (
            self._values_at_s is None or now_s - self._values_at_s >= _VALUES_EVERY_S
        )
        if not is_due or not any(channel.value for channel in channels):
            return
        self._values_at_s = now_s
        texts = (
            f"{c.title} {c.value}{f' ({c.words})' if c.words else ''}" for c in channels
        )
        self._line(f"{utc}  {'   '.join(texts)}")


class JsonLines(_Lines):
    """A line for each message, for programs."""

    def __init__(
        self, stream: TextIO, on_gone: Callable[[], None], topics: Topics
    ) -> None:
        super().__init__(stream, on_gone)
        self._topics = topics

    def heard(self, topic: str, payload: bytes, *, is_kept: bool, utc: str) -> None:
        """The message with its topic; what is no JSON is said to be none."""
        about = self._topics.about(topic)
        facts: dict[str, object] = {
            "format": FORMAT,
            "received_utc": utc,
            "topic": topic,
            "about": about.value if about else None,
            "retained": is_kept,
        }
        try:
            message = parse_json(payload, place=about.value if about else "message")
        except InputError as exc:
            self._json({**facts, "fault": str(exc)})
        else:
            self._json({**facts, "message": message})

    def connection(self, *, is_there: bool, text: str, utc: str) -> None:
        """A line too: what comes after a gap must be told from what came before."""
        facts = {"format": FORMAT, "received_utc": utc}
        self._json({**facts, "connected": is_there, "text": text})

    def event(self, text: str, *, utc: str) -> None:
        """The messages themselves are shown."""

    def draw(self, watched: Watched, *, now_s: float, utc: str) -> None:
        """Likewise."""

    def _json(self, facts: Mapping[str, object]) -> None:
        # Escaped: halves of characters, which JSON allows, cannot be printed.
        self._line(json.dumps(facts, allow_nan=False))


def where_it_stands(state: BenchState) -> str:
    """Stage, condition and how far the session is."""
    parts: list[str] = [STAGES.get(state.stage, state.stage)]
    if state.condition is not None:
        parts.append(state.condition)
    if state.session is not None:
        left_out = f", {state.skipped} left out" if state.skipped else ""
        parts.append(f"{state.done} of {state.total} done{left_out}")
        if state.session.state == "paused" and state.stage != "paused":
            parts.append("pauses after this trial")
    if state.seconds_left is not None:
        parts.append(time_left(state.seconds_left))
    return ", ".join(parts)


def connection_sentence(*, is_there: bool, text: str) -> str:
    """The connection to the broker in a sentence."""
    return "Connected to the broker." if is_there else f"Broker lost: {text}."


def silence_sentence(silent_s: float) -> str:
    """A bench that should be there and says nothing."""
    heard = f"Nothing heard from the bench for {silent_s:.0f} s; what is shown is old."
    return f"{heard} {NOBODY_WATCHES}"


def listed(benches: Sequence[tuple[str, bool | None]]) -> str:
    """Benches and whether they are there."""
    words = {True: "online", False: "offline", None: "says nothing of itself"}
    return ", ".join(
        f"{printable(name)} ({words[state]})" for name, state in sorted(benches)
    )
