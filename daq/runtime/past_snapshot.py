"""A stored session as a snapshot: everything that a screen shows of a session, with nothing that is live.

Takes what was read of it; reads nothing itself. What its plan or bench does not tell this version is left out.
"""

from collections.abc import Mapping, Sequence
from contextlib import suppress

from daq.config.faults import Source, validated
from daq.config.models import BenchModel
from daq.config.plan import parse_stored_plan
from daq.errors import ConfigurationError
from daq.records import Channel, PlannedTrial, TrialState
from daq.runtime.snapshot import (
    FORMAT,
    AverageLine,
    ChannelLine,
    ClockLine,
    ComparisonLine,
    EventLine,
    InstrumentLine,
    PartLine,
    SessionLine,
    SlipLine,
    Snapshot,
    StageLine,
)
from daq.runtime.store.past import PastSession, PastTrial
from daq.wording import Urgency, decimals_of, decimals_of_uncertainty

STORED = "stored"
"""Name of the stage of a session that is looked at after the fact, and of the state of all that is not live there."""

_EVENTS = 200
_STATE_WORDS = {
    "open": "not finished",
    "finished": "finished",
    "abandoned": "left unfinished",
}
_NOT_DONE = (TrialState.RUNNING, TrialState.UNFINISHED, TrialState.SET_ASIDE)


def snapshot_of(session: PastSession, *, comparison: ComparisonLine | None) -> Snapshot:
    """A stored session as the screens show a live one.

    Args:
        session: As it was read.
        comparison: Of it; None where there is nothing to compare.
    """
    channels = _channels_of_bench(session)
    return Snapshot(
        format=FORMAT,
        bench=session.bench,
        plan=session.plan,
        machine=session.machine,
        clock=ClockLine(round(session.end_s, 3), session.end_utc, session.speed),
        session=_session_line(session),
        stage=StageLine(
            STORED, None, None, None, "", "Read from the results file; nothing is live."
        ),
        instruction=_instruction(session),
        urgency=Urgency.WAIT.value,
        condition=None,
        trial=None,
        channels=_channel_lines(session, channels),
        slip=tuple(_slip_line(session, line) for line in session.order),
        instruments=_instrument_lines(session, channels),
        store=PartLine(STORED, ""),
        broker=PartLine(STORED, ""),
        alarms=(),
        events=tuple(
            EventLine(event.utc, event.at_s, event.text)
            for event in session.events[: -_EVENTS - 1 : -1]
        ),
        comparison=comparison,
    )


def _session_line(session: PastSession) -> SessionLine:
    done = {t.planned.position for t in session.trials if t.state not in _NOT_DONE}
    return SessionLine(
        session.number,
        session.state,
        done=len(done),
        total=len(session.order),
        skipped=len(session.skipped - done),
    )


def _instruction(session: PastSession) -> str:
    line = _session_line(session)
    words = _STATE_WORDS.get(session.state, session.state)
    left_out = f", {line.skipped} left out" if line.skipped else ""
    return (
        f"Session {session.number} of {session.started_utc[:10]}, {words}:"
        f" {line.done} of {line.total} trials{left_out}."
    )


def _channels_of_bench(session: PastSession) -> tuple[Channel, ...]:
    """Those of the bench as it was; all that are known where this version cannot read it."""
    source = Source(f"bench of session {session.number}", session.bench_text)
    try:
        bench = validated(BenchModel, source, session.bench_text)
    except ConfigurationError:
        return session.channels
    names = {channel.name for i in bench.instrument for channel in i.channel}
    names.update(meter.name for meter in bench.typed)
    return tuple(channel for channel in session.channels if channel.name in names)


def _channel_lines(
    session: PastSession, channels: tuple[Channel, ...]
) -> tuple[ChannelLine, ...]:
    required = _required(session, channels)
    return tuple(
        ChannelLine(
            name=channel.name,
            title=channel.title,
            quantity=channel.quantity,
            unit=channel.unit,
            place=channel.place,
            decimals=decimals_of(channel.accuracy.resolution),
            required=channel.name in required,
            instrument=channel.instrument,
            interval_s=channel.interval_s,
            value=None,
            at_s=None,
            condition=STORED,
            holding_back=None,
            mean=None,
            expanded_uncertainty=None,
        )
        for channel in channels
    )


def _required(session: PastSession, channels: tuple[Channel, ...]) -> set[str]:
    """Channels that the trials waited for, by the plan or by what was averaged."""
    averages = [average for trial in session.trials for average in trial.averages]
    found = {average.channel for average in averages if average.required}
    with suppress(ConfigurationError):
        plan = parse_stored_plan(
            session.plan_text, session=session.number, channels=channels
        )
        found.update(plan.rules.required)
    return found


def _slip_line(session: PastSession, line: PlannedTrial) -> SlipLine:
    trials = [t for t in session.trials if t.planned.position == line.position]
    ended = [trial for trial in trials if trial.state != TrialState.RUNNING]
    newest = ended[-1] if ended else None
    return SlipLine(
        position=line.position,
        condition=line.condition,
        repeat=line.repeat,
        baseline=line.baseline,
        state=_slip_state(session, line, newest, in_hand=len(trials) > len(ended)),
        averages=_average_lines(newest) if newest else {},
        note=(newest.note or None) if newest else None,
        trial=newest.number if newest else None,
    )


def _slip_state(
    session: PastSession, line: PlannedTrial, newest: PastTrial | None, *, in_hand: bool
) -> str:
    if in_hand:
        return TrialState.RUNNING.value
    if line.position in session.skipped:
        return "skipped"
    if newest is None:
        return "to come"
    return "done" if newest.state == TrialState.FINISHED else newest.state


def _average_lines(trial: PastTrial) -> Mapping[str, AverageLine]:
    return {
        average.channel: AverageLine(
            average.mean,
            average.expanded_uncertainty,
            average.unit,
            decimals_of_uncertainty(average.expanded_uncertainty),
        )
        for average in trial.averages
    }


def _instrument_lines(
    session: PastSession, channels: Sequence[Channel]
) -> tuple[InstrumentLine, ...]:
    intervals_s = {channel.instrument: channel.interval_s for channel in channels}
    return tuple(
        InstrumentLine(
            name=counts.instrument,
            port="",
            state=STORED,
            text=f"a reading every {intervals_s[counts.instrument]:g} s was expected",
            readings=counts.readings,
            gaps=counts.gaps,
        )
        for counts in session.counts
        if counts.instrument in intervals_s
    )
