"""The live slip on a terminal: instruction, required channels, the slip, the rest, the last events.

The same things in the same order as on the page. Drawn in place, so that nothing scrolls the instruction away; where
the slip is longer than the terminal is high, the stretch around the present line is shown.
"""

import asyncio
import contextlib
import dataclasses
import os
import sys
import termios
import tty
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TextIO

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.measure import Measurement
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from daq.cli.session_command import with_bench
from daq.cli.terminal import made_printable
from daq.cli.told_alarms import Alarm, ToldAlarms
from daq.cli.typing_line import TypingLine
from daq.cli.watched import age_in_words
from daq.errors import Refusal
from daq.operations import Repeat, Stop
from daq.printable import printable
from daq.runtime.display import Key, Outcome, Told
from daq.runtime.snapshot import (
    ChannelLine,
    EventLine,
    InstrumentLine,
    SlipLine,
    Snapshot,
)
from daq.wording import running_state, unit_symbol

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
_BOUNDLESS = 10_000
_KEYS = {"\n": Key.SWITCHED, "\r": Key.SWITCHED, "a": Key.ACKNOWLEDGED}
_REPEAT, _END = "r", "e"
_KEYS_SHOWN = "Enter: switched by hand   a: it may run on   Ctrl-C: stop"
_IDLE_KEYS_SHOWN = "Enter: switched by hand   Ctrl-C: stop the service"


class SlipDisplay:
    """Draws snapshots in place."""

    def __init__(self, stream: TextIO, *, bench: str | Path) -> None:
        self._stream = stream
        self._bench = bench
        self._console = Console(file=stream, markup=False, highlight=False)
        self._live = Live(console=self._console, auto_refresh=False, transient=True)
        self._head = ""
        self._last: Snapshot | None = None
        self._last_of_session: Snapshot | None = None
        self._typing = TypingLine()
        self._alarms_told = ToldAlarms()
        self._terminal_before: list[Any] | None = None

    def __enter__(self) -> Self:
        self._live.start()
        return self

    @property
    def last(self) -> Snapshot | None:
        """What was drawn last."""
        return self._last

    @property
    def has_keyboard(self) -> bool:
        """Whether the operator can press keys."""
        return sys.stdin.isatty()

    @property
    def is_private(self) -> bool:
        """A terminal is."""
        return True

    def say(self, text: str) -> None:
        """Print it above the slip, where it stays."""
        with self._drawing():
            self._console.print(printable(text), soft_wrap=True)

    def attach(self, on_told: Callable[[Told], None]) -> None:
        """Read single keys from the terminal until the display ends."""
        if not sys.stdin.isatty():
            return
        descriptor = sys.stdin.fileno()
        self._terminal_before = termios.tcgetattr(descriptor)
        tty.setcbreak(descriptor)
        loop = asyncio.get_running_loop()

        def pressed() -> None:
            letters = _letters(descriptor)
            if not letters:
                # Without its other end a terminal is readable for ever, and has nothing to say.
                loop.remove_reader(descriptor)
            for letter in letters:
                self._pressed(letter, on_told)

        loop.add_reader(descriptor, pressed)

    def _pressed(self, letter: str, on_told: Callable[[Told], None]) -> None:
        """Keys are few; what belongs to a reading goes there: a switching told by mistake would end the trial."""
        key = _KEYS.get(letter)
        if key is not Key.ACKNOWLEDGED and self._typing.takes(letter):
            answer = self._typing.feed(letter)
            if answer is not None:
                on_told(answer)
            elif self._typing.is_begun:
                on_told(Key.TYPING)
            self._draw_again()
        elif key is not None:
            on_told(key)
        elif (chosen := self._chosen(letter)) is not None:
            on_told(chosen)

    def _chosen(self, letter: str) -> Repeat | Stop | None:
        """What is decided of a trial that may be carried out once more; a second press decides nothing."""
        last = self._last
        offer = None if last is None else last.repeat_offer
        if last is None or offer is None:
            return None
        if letter == _REPEAT:
            self._last = dataclasses.replace(last, repeat_offer=None)
            return Repeat(offer.position)
        is_over = last.session is not None and last.session.state == "finished"
        return Stop() if letter == _END and is_over else None

    def refused(self, code: Refusal, text: str) -> None:
        """Say why beside what is typed."""
        self._typing.refused(text, is_doubted=code is Refusal.DOUBTED)
        self._draw_again()

    def _draw_again(self) -> None:
        if self._last is not None:
            with self._drawing():
                self._live.update(self._page(self._last), refresh=True)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with self._drawing():
            self._live.stop()
        if self._terminal_before is not None:
            # A terminal that has gone needs no restoring, and must not hide how the session ended.
            with contextlib.suppress(OSError, termios.error):
                termios.tcsetattr(
                    sys.stdin.fileno(), termios.TCSADRAIN, self._terminal_before
                )

    def started(self, *, page_url: str, broker: str, words: str) -> None:
        """Keep what stands above everything; the broker has its place in the snapshot."""
        del broker
        self._head = f"Live page {page_url}  {words}"

    def show(self, snapshot: Snapshot) -> None:
        """Draw the present state."""
        snapshot = made_printable(snapshot)
        is_call = (
            self._last is not None
            and _calls(snapshot)
            and snapshot.stage.name != self._last.stage.name
        )
        self._last = snapshot
        if snapshot.session is not None:
            self._last_of_session = snapshot
        is_call |= self._typing.follow(
            snapshot.asking,
            snapshot.typed_readings,
            missed=snapshot.missed,
            now_s=snapshot.clock.now_s,
        )
        alarms = (Alarm(each.text, each.since_s) for each in snapshot.alarms)
        is_call |= bool(self._alarms_told.news(alarms).begun)
        with self._drawing():
            if is_call:
                self._console.bell()
            self._live.update(self._page(snapshot), refresh=True)

    def event(self, line: EventLine) -> None:
        """Events are drawn with the next snapshot, which holds them."""

    def finished(self, outcome: Outcome) -> None:
        """Leave the slip standing, with what there is to say of single trials."""
        with self._drawing():
            self._live.stop()
            # One that was ended at the operator's word is put away by now.
            last = self._last_of_session
            if last is None:
                return
            running = "interrupted" if outcome.in_hand else "running"
            lines = tuple(
                dataclasses.replace(line, state=running)
                if line.state == "running"
                else line
                for line in last.slip
            )
            self._console.print(self._slip(last, lines))
            for line in lines:
                if line.note:
                    self._console.print(f"{line.condition}: {line.note}")

    @contextlib.contextmanager
    def _drawing(self) -> Iterator[None]:
        """A terminal that goes away ends no session: store, page and broker go on without it."""
        try:
            yield
        except OSError:
            # Nor may anything be written to it later: the program's last words, or what is left in a buffer.
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self._stream.fileno())
            os.close(nowhere)

    # ---- drawing

    def _page(self, snapshot: Snapshot) -> RenderableType:
        above: list[RenderableType] = [Text(self._head, style="dim")]
        if snapshot.clock.speed != 1.0:
            words = f"Demonstration: time runs {snapshot.clock.speed:g} times as fast as life; seconds are the bench's."
            above.append(Text(words, style="dim"))
        above += [
            self._instruction(snapshot),
            *self._alarms(snapshot),
            *(Text(line, style="bold blue") for line in self._typing.lines()),
            self._required(snapshot),
            Rule(style="dim"),
        ]
        between: list[RenderableType] = [
            Rule(style="dim"),
            self._others(snapshot),
            Rule(style="dim"),
        ]
        keys = Text(f"\n{_keys(snapshot)}", style="dim")
        slip: RenderableType = self._slip(snapshot, snapshot.slip)
        room = self._console.height - self._height(*above, slip, *between, keys)
        events = self._events(snapshot, room)
        too_many = self._height(events) - room
        if too_many > 0:
            slip = self._stretch(snapshot, len(snapshot.slip) - too_many - 1)
        return Group(*above, slip, *between, events, keys)

    def _height(self, *parts: RenderableType) -> int:
        """Lines that these take on this terminal."""
        return len(self._console.render_lines(Group(*parts), pad=False))

    def _instruction(self, snapshot: Snapshot) -> Text:
        mark, style = _MARKS[snapshot.urgency]
        if self._console.encoding.lower() not in {"utf-8", "utf8"}:
            mark = _PLAIN_MARKS[snapshot.urgency]
        text = Text(f"\n{mark} {snapshot.instruction}\n", style=style)
        how = with_bench(snapshot.stage.sentence, self._bench)
        text.append(f"  {how}\n", style="not bold default")
        return text

    def _alarms(self, snapshot: Snapshot) -> list[Text]:
        alarms = [alarm.text for alarm in snapshot.alarms]
        ill = [
            f"{i.name}: {i.text}"
            for i in snapshot.instruments
            if i.state in {"silent", "lost", "faulty"} and not _is_told(i, alarms)
        ]
        return [Text(f"! {text}", style="bold red") for text in [*alarms, *ill]]

    def _required(self, snapshot: Snapshot) -> Text:
        text = Text()
        for channel in snapshot.channels:
            if channel.required:
                text.append(f"  {channel.title}  ")
                shown = _value(channel, snapshot.clock.now_s)
                text.append(shown, style="bold")
                text.append(f"  {channel.holding_back or ''}\n", style="dim")
        return text

    def _stretch(self, snapshot: Snapshot, rows: int) -> RenderableType:
        """As much of the slip as there is room for, around the present line, and how much is left out."""
        rows = max(rows, 1)
        if len(snapshot.slip) <= rows:
            return self._slip(snapshot, snapshot.slip)
        first = _first_shown(snapshot, rows)
        below = len(snapshot.slip) - first - rows
        words = f"{first} more above, {below} more below"
        shown = snapshot.slip[first : first + rows]
        return Group(self._slip(snapshot, shown), Text(words, style="dim"))

    def _slip(self, snapshot: Snapshot, lines: Sequence[SlipLine]) -> Table:
        """Like the page: the required channels, and the others where all of it has room."""
        whole = self._slip_of(snapshot, lines, snapshot.channels)
        boundless = self._console.options.update(width=_BOUNDLESS)
        natural = Measurement.get(self._console, boundless, whole).maximum
        if natural <= self._console.width:
            return whole
        required = [c for c in snapshot.channels if c.required]
        return self._slip_of(snapshot, lines, required)

    def _slip_of(
        self,
        snapshot: Snapshot,
        lines: Sequence[SlipLine],
        shown: Sequence[ChannelLine],
    ) -> Table:
        table = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0))
        table.add_column("condition", min_width=14)
        for channel in shown:
            table.add_column(
                f"{channel.title} / {unit_symbol(channel.unit) or '1'}", justify="right"
            )
        table.add_column("state")
        for line in lines:
            name = (
                line.condition
                if line.repeat == 1
                else f"{line.condition} ({line.repeat})"
            )
            cells = [_cell(line, channel) for channel in shown]
            table.add_row(Text(name), *cells, _state(line, snapshot))
        return table

    def _others(self, snapshot: Snapshot) -> Text:
        now_s = snapshot.clock.now_s
        parts = [
            f"{c.title} {_value(c, now_s)}" for c in snapshot.channels if not c.required
        ]
        parts += [
            f"store {snapshot.store.state}",
            f"broker: {snapshot.broker.text or snapshot.broker.state}",
        ]
        return Text("   ".join(parts), style="dim")

    def _events(self, snapshot: Snapshot, room: int) -> Text:
        """The last ones that fit into so many lines, one of them at least."""
        lines = [
            f"{event.utc[11:19]}  {event.text}"
            for event in snapshot.events[:_SHOWN_EVENTS]
        ]
        text = Text("\n".join(lines), style="dim")
        while len(lines) > 1 and self._height(text) > room:
            lines.pop()
            text = Text("\n".join(lines), style="dim")
        return text


def _keys(snapshot: Snapshot) -> str:
    """What can be pressed; nothing is promised of a session that is not there, or has nothing left to do."""
    session = snapshot.session
    if session is None:
        return _IDLE_KEYS_SHOWN
    return (
        _KEYS_SHOWN
        if session.state == "finished"
        else f"{_KEYS_SHOWN}; the session can go on later"
    )


def _is_told(instrument: InstrumentLine, alarms: Sequence[str]) -> bool:
    """An alarm tells that it is not heard, and why: once is enough."""
    name, why = instrument.name, instrument.text
    return any(text.startswith(f"{name} ") and why in text for text in alarms)


def _letters(descriptor: int) -> str:
    """What was typed; empty once the terminal has gone."""
    try:
        return os.read(descriptor, 64).decode("ascii", "replace")
    except OSError:
        return ""


def _first_shown(snapshot: Snapshot, rows: int) -> int:
    """First line of a stretch with the present line in its middle; at the end of a session the last ones."""
    lines = snapshot.slip
    present = len(lines) - 1
    if snapshot.condition is not None:
        positions = [line.position for line in lines]
        present = positions.index(snapshot.condition.position)
    return min(max(present - rows // 2, 0), len(lines) - rows)


def _calls(snapshot: Snapshot) -> bool:
    """Whether the operator has to come."""
    return snapshot.stage.name in {"done", "not-settled", "limit", "finished"}


def _value(channel: ChannelLine, now_s: float) -> str:
    if channel.value is None or channel.condition not in {"ok", "old"}:
        return _STATES[channel.condition]
    shown = f"{channel.value:.{channel.decimals}f} {unit_symbol(channel.unit)}".rstrip()
    if channel.typed and channel.at_s is not None:
        # It is never old, and stands until the next one is asked for.
        return f"{shown} (read {age_in_words(max(now_s - channel.at_s, 0.0))} ago)"
    return f"{shown} (old)" if channel.condition == "old" else shown


def _state(line: SlipLine, snapshot: Snapshot) -> str:
    if line.state == "running" and (trial := snapshot.trial) is not None:
        return running_state(
            is_averaging=trial.window_s is not None, is_confirmed=trial.confirmed
        )
    return "" if line.state == "to come" else line.state


def _cell(line: SlipLine, channel: ChannelLine) -> str:
    average = line.averages.get(channel.name)
    if average is not None:
        return f"{average.mean:.{average.decimals}f} ± {average.expanded_uncertainty:.{average.decimals}f}"
    if line.state == "running" and channel.mean is not None:
        return f"{channel.mean:.{channel.decimals + 1}f}"
    return ""
