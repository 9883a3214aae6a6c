"""What can be typed to the simulator, one command a line, and what it answers.

    fit NAME                     exchange lead or filter (the machine must be off)
    on, off                      switch the machine
    fault METER KIND [SECONDS]   spoil every reply, for ever or so long (bench time)
    clog PERCENT                 the filter has so much of its resistance, until the next fit
    unplug LINE, plug LINE       pull a plug, put it back
    state, truth, counts         one line of JSON
    quit                         stop

Every answer is one line: `ok`, with what was asked for behind it, or
`error: what, expected`.
"""

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Protocol, TypeVar

from simulators.faults import Fault
from simulators.rig import Rig
from simulators.wires.paced_line import Counts

_T = TypeVar("_T")


class Plug(Protocol):
    """A serial line as far as commands are concerned."""

    @property
    def counts(self) -> Counts:
        """Manners of the host on the line."""

    def plug(self) -> None:
        """Put the plug in."""

    def unplug(self) -> None:
        """Pull the plug."""


class Commands:
    """Carries out commands on a rig and its lines."""

    def __init__(
        self, rig: Rig, lines: Mapping[str, Plug], *, quit_: Callable[[], None]
    ) -> None:
        self._rig = rig
        self._lines = lines
        self._actions: dict[str, Callable[[str], str]] = {
            "fit": self._fit,
            "on": lambda rest: self._switch(rest, on=True),
            "off": lambda rest: self._switch(rest, on=False),
            "fault": self._fault,
            "clog": self._clog,
            "unplug": lambda rest: self._plug(rest, in_=False),
            "plug": lambda rest: self._plug(rest, in_=True),
            "state": lambda _: json.dumps(rig.state()),
            "truth": lambda _: json.dumps(rig.truth()),
            "counts": lambda _: self.counts(),
            "quit": lambda _: _nothing(quit_),
        }

    def execute(self, line: str) -> str:
        """Carry out one line and return the answer to it."""
        name, _, rest = line.strip().partition(" ")
        action = self._actions.get(name)
        if action is None:
            return (
                f"error: command {name!r}, expected one of {', '.join(self._actions)}"
            )
        try:
            return f"ok {action(rest.strip())}".rstrip()
        except ValueError as exc:
            return f"error: {exc}"

    def counts(self) -> str:
        """Requests and violations of the silent interval, for every line."""
        return json.dumps(
            {name: asdict(line.counts) for name, line in self._lines.items()}
        )

    def _fit(self, rest: str) -> str:
        self._rig.fit(rest)
        return rest

    def _switch(self, rest: str, *, on: bool) -> str:
        if rest:
            msg = f"got {rest!r} after the command, expected nothing"
            raise ValueError(msg)
        self._rig.switch(on=on)
        return "on" if on else "off"

    def _clog(self, rest: str) -> str:
        self._rig.clog(_positive(rest, "per cent"))
        return rest

    def _fault(self, rest: str) -> str:
        words = rest.split()
        if len(words) not in (2, 3):
            msg = f"got {len(words)} words, expected METER KIND [SECONDS]"
            raise ValueError(msg)
        station = _one_of(self._rig.stations, words[0], "meter")
        faults = {str(fault): fault for fault in Fault}
        fault = _one_of(faults, words[1], "fault")
        until_s = (
            self._rig.now_s + _positive(words[2], "seconds") if words[2:] else None
        )
        station.spoiler.order(fault, until_s=until_s)
        return rest

    def _plug(self, rest: str, *, in_: bool) -> str:
        line = _one_of(self._lines, rest, "line")
        if in_:
            line.plug()
        else:
            line.unplug()
        return rest


def _one_of(choices: Mapping[str, _T], name: str, what: str) -> _T:
    if name not in choices:
        msg = f"{what} {name!r} is not known, expected one of {', '.join(choices)}"
        raise ValueError(msg)
    return choices[name]


def _positive(text: str, what: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not (math.isfinite(number) and number > 0):
        msg = f"got {text!r}, expected {what} above 0"
        raise ValueError(msg)
    return number


def _nothing(action: Callable[[], None]) -> str:
    action()
    return ""
