"""The terminal's side of a session: a live slip where there is a terminal, plain lines elsewhere."""

import contextlib
import os
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from io import TextIOWrapper
from pathlib import Path
from typing import Protocol, TextIO

from daq.cli.session_command import with_bench
from daq.cli.terminal import drawn_on
from daq.cli.told_alarms import Alarm, ToldAlarms
from daq.errors import Refusal
from daq.records import PlannedTrial, TrialResult, TrialState
from daq.runtime.display import Display, Outcome, Told
from daq.runtime.snapshot import EventLine, Snapshot
from daq.runtime.standing_texts import standing_instruction
from daq.trials.stages import Stage
from daq.wording import average_name, shown_average, trial_name


class FinishingDisplay(Display, Protocol):
    """A display that also shows how it ended."""

    @property
    def last(self) -> Snapshot | None:
        """What was shown last; None before anything was."""

    @property
    def has_keyboard(self) -> bool:
        """Whether the operator can press keys."""

    @property
    def is_private(self) -> bool:
        """Whether what is said is seen here only, and kept in no log."""

    def say(self, text: str) -> None:
        """Something that stays above all that changes."""

    def finished(self, outcome: Outcome) -> None:
        """The slip as it ended."""


_WRONG_SHARE = 0.5
_LEAST_WRONG_S = 20.0
"""How long it takes is told anew where the figure told before was off by more than this share of it, and this much."""


_SENTENCE_END = re.compile(r"(?<=\.) (?=[A-Z])")


class PlainDisplay:
    """Lines for a log, a pipe or a dumb terminal."""

    def __init__(self, stream: TextIO, *, bench: str | Path) -> None:
        self._stream = stream
        self._bench = bench
        self._last: Snapshot | None = None
        self._shown = ("", False)
        self._alarms_told = ToldAlarms()
        self._told_s: float | None = None
        self._ends_s: float | None = None
        self._waiting: list[EventLine] = []

    @property
    def last(self) -> Snapshot | None:
        """What was shown last, though not every one makes a line."""
        return self._last

    @property
    def has_keyboard(self) -> bool:
        """Plain lines have none."""
        return False

    @property
    def is_private(self) -> bool:
        """Plain lines may go anywhere, unless it is a terminal."""
        return self._stream.isatty()

    def say(self, text: str) -> None:
        """The lines as they are."""
        self._tell_waiting()
        self._line(text)

    def attach(self, on_told: Callable[[Told], None]) -> None:
        """Nothing to pass on."""

    def refused(self, code: Refusal, text: str) -> None:
        """Nothing is typed here."""

    def started(self, *, page_url: str, broker: str, words: str) -> None:
        """Where page and broker are."""
        self._tell_waiting()
        if words:
            self._line(words)
        self._line(f"Live page: {page_url}   MQTT: {broker}")

    def show(self, snapshot: Snapshot) -> None:
        """A line whenever an alarm begins or is over, the instruction changes, or averaging begins or stops.

        A count that runs down is no change.
        """
        self._last = snapshot
        self._tell_waiting([each.text for each in snapshot.alarms])
        self._alarms(snapshot)
        is_averaging = snapshot.stage.name == Stage.AVERAGING.value
        shown = standing_instruction(snapshot), is_averaging
        now_s, left_s = snapshot.clock.now_s, snapshot.stage.seconds_left
        if shown == self._shown and not self._was_wrong(now_s, left_s):
            return
        self._shown = shown
        self._ends_s = None if left_s is None else now_s + left_s
        self._told_s = left_s
        self._line(f"{snapshot.clock.utc}  {snapshot.instruction}")
        if snapshot.asking is not None:
            how = f"daq session BENCH reading {snapshot.asking.channel} VALUE"
            self._line(f"  On the page, or with: {with_bench(how, self._bench)}")
        if snapshot.repeat_offer is not None:
            self._line(f"  {with_bench(snapshot.stage.sentence, self._bench)}")

    def _alarms(self, snapshot: Snapshot) -> None:
        alarms = (Alarm(each.text, each.since_s) for each in snapshot.alarms)
        news = self._alarms_told.news(alarms)
        for alarm in news.begun:
            self._line(f"{snapshot.clock.utc}  Alarm: {alarm.text}")
        for alarm in news.over:
            # What it may mean and what to do about it is over, too.
            what, *_ = _SENTENCE_END.split(alarm.text, maxsplit=1)
            self._line(f"{snapshot.clock.utc}  Alarm over: {what}")

    def _was_wrong(self, now_s: float, left_s: float | None) -> bool:
        """Whether what was told of how long it takes is by more than half of it off what is known now."""
        if left_s is None or self._ends_s is None or self._told_s is None:
            return False
        off_s = abs(now_s + left_s - self._ends_s)
        return off_s > max(_WRONG_SHARE * self._told_s, _LEAST_WRONG_S)

    def event(self, line: EventLine) -> None:
        """One line an event, with the next snapshot, which follows at once: what that tells as an alarm is not told twice."""
        self._waiting.append(line)

    def _tell_waiting(self, alarms: Sequence[str] = ()) -> None:
        waiting, self._waiting = self._waiting, []
        for line in waiting:
            # An alarm may follow what happened, as a machine that runs on follows a stop.
            told = (line.text.removesuffix(each) for each in alarms)
            text = min(told, key=len, default=line.text).rstrip()
            if text:
                self._line(f"{line.utc}  {text}")

    def ends(self) -> None:
        """Nothing more is shown: what waits is told."""
        self._tell_waiting()

    def finished(self, outcome: Outcome) -> None:
        """The slip, a line a trial."""
        self._tell_waiting()
        for line in outcome_lines(outcome):
            self._line(line)

    def _line(self, text: str) -> None:
        try:
            self._stream.write(text + "\n")
            self._stream.flush()
        except BrokenPipeError:
            # Whoever read has seen enough; the measurement goes on, and nothing may be written at exit either.
            os.dup2(os.open(os.devnull, os.O_WRONLY), self._stream.fileno())


@contextlib.contextmanager
def display_for(
    bench: str | Path, *, plain: bool, to_stderr: bool
) -> Iterator[FinishingDisplay]:
    """The display that suits the terminal; the bench file is named in the commands that it tells."""
    stream = sys.stderr if to_stderr else sys.stdout
    # A name or a note in letters that the terminal does not have ends no session.
    screen = drawn_on(stream)
    if isinstance(screen, TextIOWrapper):
        screen.reconfigure(errors="replace")
    if plain or not stream.isatty():
        lines = PlainDisplay(stream, bench=bench)
        try:
            yield lines
        finally:
            lines.ends()
        return
    from daq.cli.slip import SlipDisplay  # rich costs a tenth of a second

    with SlipDisplay(screen, bench=bench) as display:
        yield display


def outcome_lines(outcome: Outcome) -> list[str]:
    """The slip as plain lines."""
    results = {r.planned.position: r for r in outcome.results}
    return [
        _outcome_line(line, results.get(line.position), outcome)
        for line in outcome.order
    ]


def _outcome_line(
    line: PlannedTrial, result: TrialResult | None, outcome: Outcome
) -> str:
    if line.position in outcome.skipped:
        return f"{trial_name(line)}: left out"
    in_hand = outcome.in_hand
    if line == in_hand and (result is None or result.state is TrialState.UNFINISHED):
        return f"{trial_name(line)}: interrupted, it will be asked for again"
    if result is None:
        return f"{trial_name(line)}: not carried out"
    note = f" ({result.note})" if result.note else ""
    if result.state is not TrialState.FINISHED:
        return f"{trial_name(line)}: {result.state.value}{note}"
    averages = "   ".join(
        f"{average_name(a)} {shown_average(a.mean, a.expanded_uncertainty, a.unit)}"
        for a in result.averages
    )
    return f"{trial_name(line)}: {averages}{note}"
