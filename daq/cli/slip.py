"""The live slip on a terminal: instruction, required channels, the slip, the rest, the last events.

The same things in the same order as on the page. Drawn in place, so that nothing scrolls the instruction away.
"""

import asyncio
import os
import sys
import termios
import tty
from collections.abc import Callable
from types import TracebackType
from typing import Any, Self, TextIO

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from daq.runtime.daemon import Key, Outcome
from daq.runtime.snapshot import ChannelLine, EventLine, SlipLine, Snapshot
from daq.wording import unit_symbol

_MARKS = {
    "danger": ("■", "bold red"),
    "action": ("▶", "bold blue"),
    "normal": ("●", "bold green"),
    "wait": ("○", "bold"),
}
_PLAIN_MARKS = {"danger": "!", "action": ">", "normal": "*", "wait": "-"}
_STATES = {
    "ok": "",
    "old": "old",
    "silent": "silent",
    "overrange": "over range",
    "no reading yet": "no reading yet",
}
_SHOWN_EVENTS = 4
_LINES_ABOVE_EVENTS = 19
_WIDE = 120
_KEYS = {"\n": Key.SWITCHED, "\r": Key.SWITCHED, "a": Key.ACKNOWLEDGED}
_KEYS_SHOWN = "Enter: switched by hand   a: acknowledge an alarm   Ctrl-C: stop; the session can go on later"


class SlipDisplay:
    """Draws snapshots in place."""

    def __init__(self, stream: TextIO) -> None:
        self._console = Console(file=stream, markup=False, highlight=False)
        self._live = Live(console=self._console, auto_refresh=False, transient=True)
        self._head = ""
        self._last: Snapshot | None = None
        self._terminal_before: list[Any] | None = None

    def __enter__(self) -> Self:
        self._live.start()
        return self

    @property
    def has_keyboard(self) -> bool:
        """Whether the operator can press keys."""
        return sys.stdin.isatty()

    def attach(self, on_key: Callable[[Key], None]) -> None:
        """Read single keys from the terminal until the display ends."""
        if not sys.stdin.isatty():
            return
        descriptor = sys.stdin.fileno()
        self._terminal_before = termios.tcgetattr(descriptor)
        tty.setcbreak(descriptor)

        def pressed() -> None:
            for letter in os.read(descriptor, 64).decode("ascii", "replace"):
                key = _KEYS.get(letter)
                if key is not None:
                    on_key(key)

        asyncio.get_running_loop().add_reader(descriptor, pressed)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._live.stop()
        if self._terminal_before is not None:
            termios.tcsetattr(
                sys.stdin.fileno(), termios.TCSADRAIN, self._terminal_before
            )

    def started(self, *, page_url: str, broker: str, words: str) -> None:
        """Keep what stands above everything."""
        self._head = f"{words}  Live page {page_url}  MQTT {broker}"

    def show(self, snapshot: Snapshot) -> None:
        """Draw the present state."""
        if (
            self._last is not None
            and _calls(snapshot)
            and snapshot.stage.name != self._last.stage.name
        ):
            self._console.bell()
        self._last = snapshot
        self._live.update(self._page(snapshot), refresh=True)

    def event(self, line: EventLine) -> None:
        """Events are drawn with the next snapshot, which holds them."""

    def finished(self, outcome: Outcome) -> None:
        """Leave the slip standing."""
        del outcome
        self._live.stop()
        if self._last is not None:
            self._console.print(self._slip(self._last))

    # ---- drawing

    def _page(self, snapshot: Snapshot) -> RenderableType:
        parts: list[RenderableType] = [
            Text(self._head, style="dim", no_wrap=True, overflow="ellipsis")
        ]
        if snapshot.clock.speed != 1.0:
            words = f"Demonstration: time runs {snapshot.clock.speed:g} times as fast as life."
            parts.append(Text(words, style="dim"))
        parts += [
            self._instruction(snapshot),
            *self._alarms(snapshot),
            self._required(snapshot),
        ]
        parts += [
            Rule(style="dim"),
            self._slip(snapshot),
            Rule(style="dim"),
            self._others(snapshot),
        ]
        parts += [
            Rule(style="dim"),
            self._events(snapshot),
            Text(f"\n{_KEYS_SHOWN}", style="dim"),
        ]
        return Group(*parts)

    def _instruction(self, snapshot: Snapshot) -> Text:
        mark, style = _MARKS[snapshot.urgency]
        if self._console.encoding.lower() not in {"utf-8", "utf8"}:
            mark = _PLAIN_MARKS[snapshot.urgency]
        text = Text(f"\n{mark} {snapshot.instruction}\n", style=style)
        text.append(f"  {snapshot.stage.sentence}\n", style="not bold default")
        return text

    def _alarms(self, snapshot: Snapshot) -> list[Text]:
        ill = [
            f"{i.name}: {i.text}"
            for i in snapshot.instruments
            if i.state in {"silent", "lost", "faulty"}
        ]
        return [
            Text(f"! {text}", style="bold red")
            for text in [*(a.text for a in snapshot.alarms), *ill]
        ]

    def _required(self, snapshot: Snapshot) -> Text:
        text = Text()
        for channel in snapshot.channels:
            if channel.required:
                text.append(f"  {channel.title}  ")
                text.append(_value(channel), style="bold")
                text.append(f"  {channel.holding_back or ''}\n", style="dim")
        return text

    def _slip(self, snapshot: Snapshot) -> Table:
        """Like the page: the required channels, and the others where there is room."""
        shown = [
            c for c in snapshot.channels if c.required or self._console.width >= _WIDE
        ]
        table = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0))
        table.add_column("condition", min_width=14)
        for channel in shown:
            table.add_column(
                f"{channel.title} / {unit_symbol(channel.unit) or '1'}", justify="right"
            )
        table.add_column("state")
        for line in snapshot.slip:
            name = (
                line.condition
                if line.repeat == 1
                else f"{line.condition} ({line.repeat})"
            )
            cells = [_cell(line, channel) for channel in shown]
            table.add_row(
                Text(name), *cells, "" if line.state == "to come" else line.state
            )
        return table

    def _others(self, snapshot: Snapshot) -> Text:
        parts = [f"{c.title} {_value(c)}" for c in snapshot.channels if not c.required]
        parts += [f"store {snapshot.store.state}", f"broker {snapshot.broker.state}"]
        return Text("   ".join(parts), style="dim")

    def _events(self, snapshot: Snapshot) -> Text:
        lines = [
            f"{event.utc[11:19]}  {event.text}"
            for event in snapshot.events[: self._room_for_events(snapshot)]
        ]
        return Text("\n".join(lines), style="dim")

    def _room_for_events(self, snapshot: Snapshot) -> int:
        """The instruction must not be pushed off a low terminal."""
        left = self._console.height - _LINES_ABOVE_EVENTS - len(snapshot.slip)
        return max(1, min(_SHOWN_EVENTS, left))


def _calls(snapshot: Snapshot) -> bool:
    """Whether the operator has to come."""
    return snapshot.stage.name in {"done", "not-settled", "limit", "finished"}


def _value(channel: ChannelLine) -> str:
    if channel.value is None or channel.condition not in {"ok", "old"}:
        return _STATES[channel.condition]
    shown = f"{channel.value:.{channel.decimals}f} {unit_symbol(channel.unit)}".rstrip()
    return f"{shown} (old)" if channel.condition == "old" else shown


def _cell(line: SlipLine, channel: ChannelLine) -> str:
    average = line.averages.get(channel.name)
    if average is not None:
        return f"{average.mean:.{average.decimals}f} ± {average.expanded_uncertainty:.{average.decimals}f}"
    if line.state == "running" and channel.mean is not None:
        return f"{channel.mean:.{channel.decimals + 1}f}"
    return ""
