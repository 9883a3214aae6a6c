"""The table that `daq watch` draws in place: instruction first, then what must be seen, channels, slip, health, events."""

import contextlib
import os
from collections import deque
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import Self, TextIO

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from daq.alarm_words import NOBODY_WATCHES
from daq.cli.watched import ChannelView, Watched, age_in_words
from daq.cli.watching_screens import (
    connection_sentence,
    silence_sentence,
    where_it_stands,
)
from daq.messages import LineTold
from daq.trials.stages import Stage
from daq.wording import (
    running_state,
    shown_average,
    unit_symbol,
)

_MARKS = {
    "danger": ("■", "!", "bold red"),
    "action": ("▶", ">", "bold blue"),
    "normal": ("●", "*", "bold green"),
    "wait": ("○", "-", "bold"),
}
_SHOWN_EVENTS = 5
_WELL = {"ok", "waiting"}


class WatchTable:
    """Draws what is known."""

    def __init__(self, stream: TextIO, on_gone: Callable[[], None], where: str) -> None:
        self._stream = stream
        self._on_gone = on_gone
        self._where = where
        self._console = Console(file=stream, markup=False, highlight=False)
        self._live = Live(console=self._console, auto_refresh=False, transient=True)
        self._events: deque[str] = deque(maxlen=_SHOWN_EVENTS)
        self._connection = "Not connected yet."
        self._is_connected = False

    def __enter__(self) -> Self:
        with self._drawing():
            self._live.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with self._drawing():
            self._live.stop()

    def heard(self, topic: str, payload: bytes, *, is_kept: bool, utc: str) -> None:
        """Single messages are not shown."""

    def connection(self, *, is_there: bool, text: str, utc: str) -> None:
        """Kept on the screen for as long as it is so, and among the events."""
        sentence = connection_sentence(is_there=is_there, text=text)
        if is_there != self._is_connected:
            self.event(sentence, utc=utc)
        self._connection, self._is_connected = sentence, is_there

    def event(self, text: str, *, utc: str) -> None:
        """One line below the table."""
        self._events.appendleft(f"{utc[11:19]}  {text}")

    def draw(self, watched: Watched, *, now_s: float, utc: str) -> None:
        """Draw it anew."""
        del utc
        with self._drawing():
            self._live.update(self._page(watched, now_s), refresh=True)

    @contextlib.contextmanager
    def _drawing(self) -> Iterator[None]:
        """A terminal that has gone has no more to be told."""
        try:
            yield
        except OSError:
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self._stream.fileno())
            os.close(nowhere)
            self._on_gone()

    # ---- drawing

    def _page(self, watched: Watched, now_s: float) -> RenderableType:
        above: list[RenderableType] = [
            self._head(watched),
            self._instruction(watched),
            *self._troubles(watched, now_s),
            _channels(watched.channels(now_s)),
            Rule(style="dim"),
        ]
        below: list[RenderableType] = [
            Rule(style="dim"),
            _health(watched),
            Text("\n".join(self._events), style="dim"),
        ]
        taken = len(self._console.render_lines(Group(*above, *below), pad=False))
        room = self._console.height - taken - 2
        return Group(*above, _slip(watched, room), *below)

    def _head(self, watched: Watched) -> Text:
        bench, session = watched.bench, watched.state.session if watched.state else None
        parts = [self._where, self._connection]
        if session is not None:
            parts.append(f"Session {session.number}: {session.plan}, {session.machine}")
        if bench is not None and bench.speed != 1.0:
            parts.append(f"Demonstration, {bench.speed:g} times as fast as life")
        return Text("   ".join(parts), style="dim", no_wrap=True, overflow="ellipsis")

    def _instruction(self, watched: Watched) -> Text:
        state = watched.state
        if state is None:
            return Text("\nNothing is known of this bench yet.\n", style="bold")
        mark, plain, style = _MARKS.get(state.urgency, _MARKS["wait"])
        is_plain = self._console.encoding.lower() not in {"utf-8", "utf8"}
        text = Text(f"\n{plain if is_plain else mark} {state.instruction}\n", style)
        return text.append(f"  {where_it_stands(state)}\n", style="not bold default")

    def _troubles(self, watched: Watched, now_s: float) -> list[Text]:
        texts = [alarm.text for alarm in watched.state.alarms] if watched.state else []
        if not self._is_connected:
            texts.append(f"{self._connection} What is shown is old.")
        if watched.is_online is False:
            texts.append(
                f"The bench is offline. What is shown is the last it said. {NOBODY_WATCHES}"
            )
        silent_s = watched.silent_s(now_s)
        if silent_s is not None and self._is_connected:
            texts.append(silence_sentence(silent_s))
        if watched.health is not None:
            ill = (i for i in watched.health.instruments if i.state not in _WELL)
            texts += [f"{each.name}: {each.text}" for each in ill]
        return [Text(f"! {text}", style="bold red") for text in texts]


def _channels(channels: list[ChannelView]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0), show_header=False)
    table.add_column(min_width=20)
    table.add_column(justify="right", min_width=12)
    table.add_column()
    for each in channels:
        style = "bold" if each.required else ""
        title = f"{each.title}, {each.place}" if each.place else each.title
        value = Text(each.value, style="dim" if each.is_old else style)
        table.add_row(Text(title, style=style), value, Text(each.words))
    return table


def _slip(watched: Watched, room: int) -> RenderableType:
    """The order with the required channels' averages; where there is no room, the stretch around the present line."""
    lines = watched.slip.lines
    session = watched.state.session if watched.state else None
    stage = watched.state.stage if watched.state else ""
    if not lines or session is None:
        return Text("No session.", style="dim")
    # The heading takes a line, and what is left out is told in another.
    rows = len(lines) if len(lines) < room else max(room - 2, 1)
    first = min(max(_present(lines) - rows // 2, 0), len(lines) - rows)
    units = {a.channel: a.unit for line in lines for a in line.averages}
    table = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0))
    table.add_column("condition", min_width=14)
    for name in session.required:
        unit = unit_symbol(units.get(name, ""))
        table.add_column(f"{name} / {unit}" if unit else name, justify="right")
    table.add_column("state")
    for line in lines[first : first + rows]:
        table.add_row(*_cells(line, session.required, stage))
    if rows == len(lines):
        return table
    words = f"{first} more above, {len(lines) - first - rows} more below"
    return Group(table, Text(words, style="dim"))


def _present(lines: tuple[LineTold, ...]) -> int:
    """The line in hand, or the first that is still to come."""
    open_lines = (n for n, x in enumerate(lines) if x.state in {"running", "to come"})
    return next(open_lines, len(lines) - 1)


def _cells(line: LineTold, required: tuple[str, ...], stage: str) -> list[Text]:
    name = line.condition if line.repeat == 1 else f"{line.condition} ({line.repeat})"
    averages = {a.channel: a for a in line.averages}
    figures = [
        shown_average(found.mean, found.expanded_uncertainty, "")
        if (found := averages.get(channel))
        else ""
        for channel in required
    ]
    state = "" if line.state == "to come" else line.state
    if state == "running":
        is_confirmed = stage == Stage.DONE.value
        is_averaging = is_confirmed or stage == Stage.AVERAGING.value
        state = running_state(is_averaging=is_averaging, is_confirmed=is_confirmed)
    return [Text(text) for text in (name, *figures, state)]


def _health(watched: Watched) -> Text:
    health = watched.health
    if health is None:
        return Text("Nothing is known of its health yet.", style="dim")
    parts = [f"store {health.store_state}"]
    parts += [f"{each.name} {each.state}" for each in health.instruments]
    if health.uptime_s:
        parts.append(f"{health.software}, up for {age_in_words(health.uptime_s)}")
    return Text("   ".join(parts), style="dim")
