"""The result of one trial: its payload, and the schema that describes it."""

import math
from collections.abc import Mapping
from dataclasses import asdict
from types import MappingProxyType

from daq.messages.form import FORMAT, render_json
from daq.records import (
    NormalisedBy,
    SessionFacts,
    TrialAverage,
    TrialResult,
    TrialState,
)


def render_result(
    result: TrialResult,
    session: SessionFacts,
    *,
    revision: int,
    started_utc: str,
    decided_utc: str,
) -> str:
    """Payload of the result topic; `result_schema` describes it.

    Args:
        result: The trial.
        session: The session it belongs to.
        revision: [1] counts up from 1 when more becomes known of a trial already told.
        started_utc: Switch-on, RFC 3339.
        decided_utc: When the outcome was known, RFC 3339: confirmed, given up, a limit
            broken, or switched off too soon.

    Raises:
        ValueError: If the trial still runs, or a figure is not finite that must be.
    """
    if result.state is TrialState.RUNNING:
        msg = f"trial {result.trial_id} still runs, expected one that has ended"
        raise ValueError(msg)
    averages = [_average(each, started_s=result.started_s) for each in result.averages]
    return render_json(
        {
            "format": FORMAT,
            "id": result.trial_id,
            "revision": revision,
            "session": asdict(session),
            **asdict(result.planned),
            "attempt": result.attempt,
            "state": result.state.value,
            "note": result.note,
            "started_utc": started_utc,
            "decided_utc": decided_utc,
            "averages": averages,
        }
    )


def _average(average: TrialAverage, *, started_s: float) -> dict[str, object]:
    figures = asdict(average)
    # The budget stays in the store: a result tells what it adds up to.
    for name in ("window", "zero_offset", "contributions", "normalised"):
        del figures[name]
    for name in ("degrees_of_freedom_a", "degrees_of_freedom"):
        if math.isinf(figures[name]):
            figures[name] = None
    return {
        **figures,
        **_normalised(average.normalised),
        "window_start_s": average.window.start_s - started_s,
        "window_end_s": average.window.end_s - started_s,
    }


def _normalised(by: NormalisedBy | None) -> dict[str, object]:
    """A key of its own, only where the mean was normalised."""
    if by is None:
        return {}
    facts = asdict(by)
    if math.isinf(by.degrees_of_freedom):
        facts["degrees_of_freedom"] = None
    return {"normalised": facts}


_Schema = Mapping[str, object]
_Keys = Mapping[str, tuple[_Schema, str]]
_NO_KEYS: _Keys = MappingProxyType({})

_TEXT: _Schema = {"type": "string"}
_NAME: _Schema = {"type": "string", "minLength": 1}
_FLAG: _Schema = {"type": "boolean"}
_COUNT: _Schema = {"type": "integer", "minimum": 0}
_NUMBER: _Schema = {"type": "number"}
_NOT_NEGATIVE: _Schema = {"type": "number", "minimum": 0}
_POSITIVE: _Schema = {"type": "number", "exclusiveMinimum": 0}
_DEGREES: _Schema = {"type": ["number", "null"], "minimum": 0}
_UUID: _Schema = {
    "type": "string",
    "pattern": "^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$",
}
# Written as a pattern because "format" need not be checked (JSON Schema 2020-12, 7.2.1).
_UTC: _Schema = {
    "type": "string",
    "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$",
}

_AVERAGE_KEYS: _Keys = {
    "channel": (_NAME, "Name of the channel; the bench topic describes it."),
    "unit": (_NAME, "Unit of every figure that has one."),
    "required": (_FLAG, "Whether the plan waits for this channel to settle."),
    "mean": (_NUMBER, "Best estimate of the settled level [unit]."),
    "plain_mean": (_NUMBER, "Mean, not corrected for drift [unit]."),
    "std_uncertainty_type_a": (
        _NOT_NEGATIVE,
        "Standard uncertainty from the readings' own scatter and drift [unit].",
    ),
    "degrees_of_freedom_a": (
        _DEGREES,
        "Degrees of freedom of type A; null: infinite [1].",
    ),
    "std_uncertainty_type_b": (
        _NOT_NEGATIVE,
        "Standard uncertainty from the maker's statement and the display [unit].",
    ),
    "std_uncertainty": (_NOT_NEGATIVE, "Combined standard uncertainty [unit]."),
    "degrees_of_freedom": (
        _DEGREES,
        "Effective degrees of freedom (Welch, Satterthwaite); null: infinite [1].",
    ),
    "coverage_factor": (_POSITIVE, "Coverage factor k for 95 % [1]."),
    "expanded_uncertainty": (
        _NOT_NEGATIVE,
        "k times the combined standard uncertainty [unit].",
    ),
    "count": (_COUNT, "Readings in the window [1]."),
    "effective_count": (_NOT_NEGATIVE, "Independent readings worth as much [1]."),
    "window_start_s": (_NUMBER, "Start of what was averaged, after switch-on [s]."),
    "window_end_s": (_NUMBER, "End of what was averaged, after switch-on [s]."),
}

_NORMALISED_KEYS: _Keys = {
    "reference": (_NAME, "Name of the voltage channel."),
    "reference_v": (_POSITIVE, "Voltage that the mean holds for [V]."),
    "exponent": (_NUMBER, "k of mean proportional to voltage to the power of k [1]."),
    "std_uncertainty": (_NOT_NEGATIVE, "Standard uncertainty of the exponent [1]."),
    "degrees_of_freedom": (_DEGREES, "Of the exponent; null: infinite [1]."),
    "mean_voltage_v": (_POSITIVE, "Mean voltage over the window [V]."),
}

_SESSION_KEYS: _Keys = {
    "session_id": (_UUID, "Identity of the session."),
    "number": (_COUNT, "Number of the session in its store [1]."),
    "bench": (_NAME, "Name of the bench."),
    "plan": (_NAME, "Name of the plan."),
    "machine": (_NAME, "The machine under test."),
    "started_utc": (_UTC, "Start of the session, RFC 3339."),
    "speed": (
        _POSITIVE,
        "Bench seconds a real second; not 1: a demonstration with simulated meters [1].",
    ),
    "software": (_NAME, "Name and version of the program."),
}

_ENDED_STATES = [state.value for state in TrialState if state is not TrialState.RUNNING]


def _object(keys: _Keys, *, optional: _Keys = _NO_KEYS) -> _Schema:
    return {
        "type": "object",
        "additionalProperties": True,  # within a FORMAT keys may be added
        "required": list(keys),
        "properties": {
            name: {**schema, "description": text}
            for name, (schema, text) in {**keys, **optional}.items()
        },
    }


_OPTIONAL_AVERAGE_KEYS: _Keys = {
    "normalised": (
        _object(_NORMALISED_KEYS),
        "How mean, not plain_mean, was taken to a reference voltage; absent where it was not.",
    ),
}
_RESULT_KEYS: _Keys = {
    "format": ({"const": FORMAT}, "Number of this form of message."),
    "id": (_UUID, "Identity of the trial; a repeat has the same id and revision."),
    "revision": (
        _COUNT,
        "Rises when more becomes known of a trial already told; the highest holds [1].",
    ),
    "session": (_object(_SESSION_KEYS), "The session the trial belongs to."),
    "position": (_COUNT, "Place in the session's order [1]."),
    "condition": (_NAME, "What was fitted or set."),
    "repeat": (_COUNT, "For the how-manieth time the condition is measured [1]."),
    "baseline": (_FLAG, "Whether the other conditions are compared with this one."),
    "attempt": (_COUNT, "Counts up when the condition had to be asked for again [1]."),
    "state": ({"enum": _ENDED_STATES}, "How the trial ended."),
    "note": (_TEXT, "Why it ended so; empty where there is nothing to say."),
    "started_utc": (_UTC, "Switch-on, RFC 3339."),
    "decided_utc": (
        _UTC,
        "When the outcome was known: confirmed, given up, a limit broken, or switched off too soon, RFC 3339.",
    ),
    "averages": (
        {
            "type": "array",
            "items": _object(_AVERAGE_KEYS, optional=_OPTIONAL_AVERAGE_KEYS),
        },
        "One each channel; empty unless the trial settled.",
    ),
}


def result_schema() -> dict[str, object]:
    """JSON Schema (draft 2020-12) of the payload of the result topic."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Result of one trial",
        "description": (
            "Sent at least once, in the order in which the trials ended. Times are UTC; "
            "a figure of a channel is in the unit that stands beside it. "
            "Keys may be added within this format: ignore those that you do not know."
        ),
        **_object(_RESULT_KEYS),
    }
