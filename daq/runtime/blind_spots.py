"""What nobody can see while the machine runs: meters that are not heard, and channels without a usable value.

As alarms, and as what is said across the room: nobody is told to keep a machine running as if all were well.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from daq.alarm_words import (
    lost_meter_instruction,
    lost_meter_text,
    unseen_instruction,
    unseen_limit_text,
    unseen_start_text,
)
from daq.config.bench import Bench
from daq.records import Channel
from daq.runtime.latest import Latest
from daq.runtime.snapshot import AlarmLine
from daq.trials.session import Session, SessionRules

_UNSEEN_WITHIN_S = 10.0
"""A channel with a limit gets so long, from switching on, to show a usable value [s]: sensors begin above nothing."""
_MOMENT_S = 5.0
"""The start channel may be over its range for so long [s]: inrush, or a meter that changes its range."""


@dataclass(frozen=True, slots=True)
class BlindSpot:
    """Something that nobody can see.

    Attributes:
        alarm: That says so.
        words: To be read across the room.
        is_danger: A limit, or whether the machine runs at all, cannot be watched for it.
        is_heard: Its meter answers, so that nothing else tells of it in the record.
    """

    alarm: AlarmLine
    words: str
    is_danger: bool
    is_heard: bool


class BlindSpots:
    """Looks for them."""

    def __init__(
        self, bench: Bench, latest: Mapping[str, Latest], *, began_s: float
    ) -> None:
        """Of a bench whose newest readings these are, since when they have been taken [s]."""
        self._instruments = bench.instruments
        self._channels = {c.name: c for c in bench.channels}
        self._latest = latest
        self._began_s = began_s

    def found(
        self, session: Session, rules: SessionRules, now_s: float
    ) -> list[BlindSpot]:
        """All of them now [s]; none while nothing says that the machine of the session runs."""
        since_s = session.running_since_s
        if since_s is None:
            return []
        return [
            *self._lost_meters(rules, since_s, now_s),
            *self._unseen(session, rules, since_s, now_s),
        ]

    def _lost_meters(
        self, rules: SessionRules, running_since_s: float, now_s: float
    ) -> Iterator[BlindSpot]:
        watched = {limit.channel for limit in rules.limits} | {rules.start.channel}
        for instrument in self._instruments:
            latest, name = self._latest[instrument.name], instrument.name
            state, why = latest.health(now_s)
            if state not in {"silent", "lost"}:
                continue
            own = {channel.name for channel in instrument.channels}
            # Where no channel sees the switching off any more, the operator has to say so.
            by_word = rules.start.channel is None or rules.start.channel in own
            was_missed = state == "silent" and latest.was_missed
            heard_s = latest.heard_s
            yield BlindSpot(
                AlarmLine(
                    lost_meter_text(name, why, was_missed=was_missed, by_word=by_word),
                    running_since_s if heard_s is None else heard_s,
                ),
                lost_meter_instruction(name, was_missed=was_missed),
                is_danger=bool(own & watched),
                is_heard=False,
            )

    def _unseen(
        self,
        session: Session,
        rules: SessionRules,
        running_since_s: float,
        now_s: float,
    ) -> Iterator[BlindSpot]:
        """Channels with a limit, and the start channel, that have shown no usable value for some time."""
        told = {breach.limit.channel for breach in session.breaches()}
        start = rules.start.channel
        limited = {limit.channel for limit in rules.limits}
        for name in sorted((limited | ({start} if start else set())) - told):
            channel = self._channels[name]
            since_s = max(self._usable_s(channel, now_s), running_since_s)
            is_start = name == start
            if now_s - since_s <= (_MOMENT_S if is_start else _UNSEEN_WITHIN_S):
                continue
            title = channel.title
            alarm = (
                AlarmLine(unseen_start_text(title), since_s)
                if is_start
                else AlarmLine(unseen_limit_text(title), since_s)
            )
            yield BlindSpot(
                alarm, unseen_instruction(title), is_danger=True, is_heard=True
            )

    def _usable_s(self, channel: Channel, now_s: float) -> float:
        """When it last showed a usable value [s]; now where it does, or its meter is not heard, which is told by itself."""
        latest = self._latest[channel.instrument]
        if latest.health(now_s)[0] != "ok":
            return now_s
        index, began_s = channel.field_index, self._began_s
        return now_s - latest.unusable_for_s(index, now_s, began_s=began_s)
