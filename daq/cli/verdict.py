"""A verdict on one record, as JSON for programs and in plain words for people."""

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass

from daq.delimited import MeterLog
from daq.settling.record import RecordVerdict
from daq.settling.verdicts import HeldBackBy
from daq.wording import shown_average, shown_percent, why_not_settled


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict, and by what it was reached.

    Attributes:
        source: What was read, as the user knows it.
        log: The record.
        preset: Name of the rule's preset.
        changed: Parameters set otherwise than in the preset, as they were typed.
        tolerance: Largest relative drift that counts as settled [1].
        resolution: Display's step [unit of the record].
        resolution_is_estimated: Whether it follows from the digits in the file.
        start_above: The record counts from where its values first stay above this [unit of the record]; None: all
            of it.
        verdict: What the rule says.
    """

    source: str
    log: MeterLog
    preset: str
    changed: tuple[str, ...]
    tolerance: float
    resolution: float
    resolution_is_estimated: bool
    start_above: float | None
    verdict: RecordVerdict


def render_json(judgement: Judgement, *, even_so: bool) -> str:
    """One JSON object; a figure that does not exist is null."""
    verdict, log = judgement.verdict, judgement.log
    window, silence = verdict.window, verdict.silence
    facts: dict[str, object] = {
        "settled": verdict.settled,
        "t_settled_s": verdict.declared_s,
        "t_result_s": verdict.confirmed_s,
        "window_s": [window.start_s, window.end_s] if window else None,
        "mean": verdict.mean,
        "u95": verdict.expanded_uncertainty,
        "n": verdict.count,
        "n_effective": verdict.effective_count,
        "why_not": verdict.why_not,
        "provisional": verdict.provisional,
        "smallest_tolerance": verdict.smallest_tolerance,
        "drifts_to_end": verdict.drifts_to_end,
        "t_switched_on_s": verdict.started_s,
        "t_switched_off_s": verdict.switched_off_s,
        "t_standby_s": verdict.standby_s,
        "silence_s": [silence.start_s, silence.end_s] if silence else None,
        "spacing_s": verdict.spacing_s,
        "tolerance": judgement.tolerance,
        "resolution": judgement.resolution,
        "resolution_is_estimated": judgement.resolution_is_estimated,
        "start_above": judgement.start_above,
        "preset": judgement.preset,
        "rule_changes": list(judgement.changed),
        "time_column": log.time_column,
        "other_time_columns": list(log.other_time_columns),
        "value_column": log.value_column,
        "first_timestamp": log.first_timestamp,
    }
    if even_so:
        facts["not_settled_mean"] = verdict.unsettled_mean
        facts["not_settled_u95"] = verdict.unsettled_uncertainty
    finite = {name: _finite(fact) for name, fact in facts.items()}
    return json.dumps(finite, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def _finite(fact: object) -> object:
    """JSON has no spelling for what is not finite."""
    return None if isinstance(fact, float) and not math.isfinite(fact) else fact


def verdict_line(judgement: Judgement) -> str:
    """The verdict in one line."""
    verdict = judgement.verdict
    name = judgement.log.value_column
    if verdict.mean is None or verdict.expanded_uncertainty is None:
        return f"Not settled: {verdict.why_not}"
    return f"Settled: {name} {shown_average(verdict.mean, verdict.expanded_uncertainty, '1')}"


def judged_by(judgement: Judgement) -> str:
    """By what it was judged, in one line."""
    decimals = " (from the decimals in the file)"
    estimated = decimals if judgement.resolution_is_estimated else ""
    changed = f" with {', '.join(judgement.changed)}" if judgement.changed else ""
    counts = ""
    if judgement.start_above is not None:
        counts = f", from where it first stays above {judgement.start_above:g}"
    return (
        f"tolerance {100.0 * judgement.tolerance:g} %, display step {judgement.resolution:g}{estimated},"
        f" preset {judgement.preset}{changed}{counts}"
    )


def render_words(judgement: Judgement, *, even_so: bool) -> str:
    """The verdict for people: what was read and by what it was judged, then what it means."""
    lines = [_what_was_read(judgement), f"Judged by: {judged_by(judgement)}.", ""]
    if judgement.verdict.settled:
        lines += _settled(judgement)
    else:
        lines += _not_settled(judgement, even_so=even_so)
    return "\n".join(lines) + "\n"


def _what_was_read(judgement: Judgement) -> str:
    log = judgement.log
    first, last = _clock(log.times_s[0]), _clock(log.times_s[-1])
    words = f"{judgement.source}: {len(log.values)} readings of {log.value_column}, {first} to {last} by {log.time_column}"
    if log.other_time_columns:
        words += f" (not by {', '.join(log.other_time_columns)}: --time chooses)"
    if log.first_timestamp is not None:
        words += f", counted from {log.first_timestamp}"
    if log.time_unit is not None:
        words += f", its {log.time_unit} turned into seconds"
    commas = "; decimal commas" if log.has_decimal_comma else ""
    return f"{words} ({log.separator} between columns{commas})."


def _settled(judgement: Judgement) -> list[str]:
    verdict = judgement.verdict
    window = verdict.window
    lines = [f"{verdict_line(judgement)} (95 %, without the meter's own accuracy)"]
    if window is not None:
        lines.append(
            f"  averaged   {_clock(window.start_s)} to {_clock(window.end_s)}:"
            f" {verdict.count} readings, worth {_independent(verdict.effective_count)}"
        )
    if verdict.declared_s is not None and verdict.confirmed_s is not None:
        lines.append(
            f"  declared   at {_clock(verdict.declared_s)}{_since_start(verdict)}, from readings up to then only;"
            f" confirmed at {_clock(verdict.confirmed_s)}"
        )
    lines += _withdrawn(verdict)
    if verdict.smallest_tolerance is not None:
        percent = shown_percent(verdict.smallest_tolerance)
        lines.append(f"  tolerance  {percent} would have been wide enough")
    return lines + _about_the_run(verdict)


def _not_settled(judgement: Judgement, *, even_so: bool) -> list[str]:
    verdict = judgement.verdict
    lines = [verdict_line(judgement)]
    if verdict.spacing_s is not None and verdict.longest_spacing_s is not None:
        lines.append(
            f"  The readings are too far apart, {verdict.spacing_s:g} s: these windows need one every"
            f" {verdict.longest_spacing_s:g} s or more often. Log faster, or set longer ones by --rule windows_s."
        )
    elif verdict.why_not is not None:
        lines += [f"  {line}" for line in _why_not(judgement, verdict.why_not)]
    lines += _about_the_run(verdict)
    lines += _withdrawn(verdict)
    if verdict.smallest_tolerance is not None:
        percent = shown_percent(verdict.smallest_tolerance)
        lines.append(f"  A tolerance of {percent} would have been wide enough.")
        if verdict.drifts_to_end:
            lines.append(
                "  Caution: it still drifted when the record ended. With that tolerance the mean would be one moment of"
                " the drift, not the level where it ends."
            )
    if even_so:
        lines.append(f"  {_even_so(judgement)}")
    return lines


def _why_not(judgement: Judgement, reason: HeldBackBy) -> Iterator[str]:
    above = judgement.start_above
    if above is None or judgement.verdict.started_s is not None:
        yield why_not_settled(reason)
        return
    highest = max(judgement.log.values)
    yield (
        f"Its values never stay above {above:g}; the highest is {highest:g}. Choose a lower --start-above,"
        " or see whether this is the right column."
    )


def _even_so(judgement: Judgement) -> str:
    verdict = judgement.verdict
    if verdict.unsettled_mean is None or verdict.unsettled_uncertainty is None:
        return "There is too little even for an average that has not settled."
    shown = shown_average(verdict.unsettled_mean, verdict.unsettled_uncertainty, "1")
    return f"NOT SETTLED average of the last stretch: {judgement.log.value_column} {shown} (95 %, drift included)"


def _about_the_run(verdict: RecordVerdict) -> list[str]:
    """Where the run that was judged begins and ends, if the record holds more than it."""
    lines = []
    if verdict.standby_s is not None and verdict.started_s is not None:
        lines.append(
            f"  began anew at {_clock(verdict.started_s)}: what ran before, from {_clock(verdict.standby_s)} on,"
            " was below a fifth of it and is taken for standby"
        )
    if verdict.switched_off_s is not None:
        off = _clock(verdict.switched_off_s)
        lines.append(f"  switched off at {off}; what follows is not judged")
    if verdict.silence is not None:
        silence = verdict.silence
        lines.append(
            f"  no readings from {_clock(silence.start_s)} to {_clock(silence.end_s)}; what follows is not judged"
            " (was the clock set?)"
        )
    return lines


def _withdrawn(verdict: RecordVerdict) -> list[str]:
    count = verdict.provisional
    if not count:
        return []
    earlier = "one earlier declaration" if count == 1 else f"{count} declarations"
    return [f"  withdrawn  {earlier}: later readings did not confirm"]


def _independent(count: float) -> str:
    return f"{count:.0f} independent ones" if count >= 1.5 else "a single one"


def _since_start(verdict: RecordVerdict) -> str:
    if verdict.started_s is None or verdict.declared_s is None:
        return ""
    return f" ({_clock(verdict.declared_s - verdict.started_s)} after switch-on)"


def _clock(seconds: float) -> str:
    return f"{seconds:.1f} s"
