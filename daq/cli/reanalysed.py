"""What a re-analysis says: for people and for programs, and as an exit code."""

import json
import math
import shlex
from collections.abc import Iterator
from dataclasses import dataclass

from daq.records import CUT_OFF, Channel, TrialAverage, TrialResult, TrialState
from daq.runtime.store.replay import RecordedSession, RecordedTrial
from daq.wording import (
    decimals_of_uncertainty,
    shown_average,
    trial_name,
    unit_symbol,
)

FORMAT = 1
_NO_CHANGE = "no change"
_COLUMNS = ("channel", "before", "after", "change", "window / s")


@dataclass(frozen=True, slots=True)
class TrialAgain:
    """A trial before and after.

    Attributes:
        recorded: As it ended live.
        channels: That the bench had then.
        result: As it ends by this analysis.
        rule_json: What it was judged by now.
        by_another_version: It was judged live by another version of the rule, which this program does not have.
        reproduced: Whether the same came out; None where nothing had to: another rule was asked, or the program was stopped before it
            could judge to the end.
    """

    recorded: RecordedTrial
    channels: tuple[Channel, ...]
    result: TrialResult
    rule_json: str
    by_another_version: bool
    reproduced: bool | None


@dataclass(frozen=True, slots=True)
class Reanalysis:
    """A session before and after.

    Attributes:
        store: As it was named.
        session: As it was recorded.
        software: That judged it now.
        changed: What was set otherwise, in the user's words; empty for the rule that each trial was run with.
        even_so: Trials that did not settle are averaged all the same.
        trials: In the order they were carried out.
        analysis: Number that it was kept under; None where nothing was kept.
    """

    store: str
    session: RecordedSession
    software: str
    changed: tuple[str, ...]
    even_so: bool
    trials: tuple[TrialAgain, ...]
    analysis: int | None = None

    @property
    def in_words(self) -> str:
        """By which rule."""
        rule = ", ".join(self.changed) or "the rule that each trial was run with"
        return f"{rule}; even so" if self.even_so else rule


def exit_code(found: Reanalysis) -> int:
    """0 where every line of the order has settled and nothing that should be the same differs."""
    newest = {t.result.planned.position: t.result.state for t in found.trials}
    all_settled = all(state is TrialState.FINISHED for state in newest.values())
    return 0 if all_settled and not _differing(found) else 1


def _differing(found: Reanalysis) -> list[TrialAgain]:
    return [again for again in found.trials if again.reproduced is False]


# ---- for people


def render_words(found: Reanalysis) -> str:
    """What changed, trial by trial."""
    return "".join(f"{line}\n" for line in _lines(found))


def _lines(found: Reanalysis) -> Iterator[str]:
    yield f"Session {found.session.number}, plan {found.session.plan}: judged again by {found.in_words}."
    for again in found.trials:
        yield ""
        yield from _trial_lines(again)
    yield ""
    if found.analysis is not None:
        yield f"Kept as analysis {found.analysis} in {found.store}; what was averaged before stays."
        shown_by = f"{shlex.quote(found.store)} --analysis {found.analysis}"
        yield f"What it makes of the conditions: daq compare {shown_by}"
        yield f"To see it: daq export {shown_by}; what its uncertainties are made of: daq budget {shown_by}"
    yield from _finding(found)


def _finding(found: Reanalysis) -> Iterator[str]:
    differing = _differing(found)
    compared = [again for again in found.trials if again.reproduced is not None]
    if differing:
        numbers = ", ".join(str(again.recorded.number) for again in differing)
        recorded, judged = found.session.software, found.software
        why = (
            f"Recorded and judged again by {judged}: the store does not hold the readings that were judged."
            if recorded == judged
            else f"Recorded by {recorded}, judged again by {judged}: {_why_another(recorded)}."
        )
        yield f"NOT REPRODUCED: trial {numbers}, although nothing was changed. {why}"
    elif compared:
        yield f"{len(compared)} of {len(found.trials)} trials came out the same, to the bit."


def _why_another(recorded: str) -> str:
    """Programs before the rule had a number may have had the same one."""
    if ", rule " in recorded:
        return "the rule is another one by now"
    return "the rule is another one by now, or the store does not hold the readings that were judged"


def _trial_lines(again: TrialAgain) -> Iterator[str]:
    before, after = again.recorded.result, again.result
    attempt = f", attempt {before.attempt}" if before.attempt > 1 else ""
    yield f"Trial {again.recorded.number}: {trial_name(before.planned)}{attempt}"
    yield f"  {_fate(again)}"
    if after.note:
        yield f"  {after.note}"
    if again.by_another_version:
        yield "  judged live by another version of the rule; now by its plan under this version's"
    if before.averages != after.averages:
        yield from (f"  {line}" for line in _table(again))


def _fate(again: TrialAgain) -> str:
    before, after = again.recorded.result.state, again.result.state
    states = f"{before} → {after}" if before is not after else f"{after}"
    if again.recorded.result.was_cut_off:
        return f"{states}: {CUT_OFF}, so there is nothing that it must agree with"
    if again.reproduced is None:
        return states
    return (
        f"{states}, {'the same to the bit' if again.reproduced else 'NOT REPRODUCED'}"
    )


def _table(again: TrialAgain) -> Iterator[str]:
    before = {a.channel: a for a in again.recorded.result.averages}
    after = {a.channel: a for a in again.result.averages}
    started_s = again.recorded.result.started_s
    rows = [_COLUMNS]
    for channel in again.channels:
        old, new = before.get(channel.name), after.get(channel.name)
        if old is None and new is None:
            continue
        windows = f"{_window(old, started_s)} → {_window(new, started_s)}"
        rows.append(
            (channel.title, _shown(old), _shown(new), _change(old, new), windows)
        )
    widths = [max(len(row[i]) for row in rows) for i in range(len(_COLUMNS))]
    for row in rows:
        cells = (c.ljust(w) for c, w in zip(row, widths, strict=True))
        yield "  ".join(cells).rstrip()


def _shown(average: TrialAverage | None) -> str:
    if average is None:
        return "none"
    return shown_average(average.mean, average.expanded_uncertainty, average.unit)


def _change(old: TrialAverage | None, new: TrialAverage | None) -> str:
    if old is None or new is None:
        return ""
    if old == new:
        return _NO_CHANGE
    decimals = decimals_of_uncertainty(new.expanded_uncertainty)
    change = f"{new.mean - old.mean:+.{decimals}f}"
    # What is less than is shown has no sign either.
    if float(change) == 0.0:
        return _NO_CHANGE
    return f"{change} {unit_symbol(new.unit)}".rstrip()


def _window(average: TrialAverage | None, started_s: float) -> str:
    if average is None:
        return "none"
    window = average.window
    return f"{window.start_s - started_s:.0f}-{window.end_s - started_s:.0f}"


# ---- for programs


def render_json(found: Reanalysis) -> str:
    """The same as JSON."""
    facts = {
        "format": FORMAT,
        "store": found.store,
        "session": found.session.number,
        "analysis": found.analysis,
        "software": found.software,
        "changed": list(found.changed),
        "even_so": found.even_so,
        "reproduced": _verdict(found),
        "trials": [_trial_facts(again) for again in found.trials],
    }
    return json.dumps(facts, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def _verdict(found: Reanalysis) -> bool | None:
    """None where nothing had to come out the same."""
    compared = [t.reproduced for t in found.trials if t.reproduced is not None]
    return all(compared) if compared else None


def _trial_facts(again: TrialAgain) -> dict[str, object]:
    planned = again.recorded.result.planned
    return {
        "trial": again.recorded.number,
        "condition": planned.condition,
        "repeat": planned.repeat,
        "attempt": again.recorded.result.attempt,
        "reproduced": again.reproduced,
        "by_another_version": again.by_another_version,
        "rule": json.loads(again.rule_json),
        "before": _outcome_facts(again.recorded.result),
        "after": _outcome_facts(again.result),
    }


def _outcome_facts(result: TrialResult) -> dict[str, object]:
    return {
        "state": result.state.value,
        "note": result.note,
        "averages": [_average_facts(a, result.started_s) for a in result.averages],
    }


def _average_facts(average: TrialAverage, started_s: float) -> dict[str, object]:
    window = average.window
    return {
        "channel": average.channel,
        "unit": average.unit,
        "mean": average.mean,
        "expanded_uncertainty": _finite(average.expanded_uncertainty),
        "coverage_factor": _finite(average.coverage_factor),
        "std_uncertainty_type_a": _finite(average.std_uncertainty_type_a),
        "window_s": [window.start_s - started_s, window.end_s - started_s],
        "count": average.count,
    }


def _finite(figure: float) -> float | None:
    return figure if math.isfinite(figure) else None
