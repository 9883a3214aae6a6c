"""What is told over MQTT: topics, payloads, and the schema of a result.

Knows no broker, no socket and no clock: records and ready-made UTC times go in, text
comes out. The table of all messages stands in `daq/runtime/broker/__init__.py`.

Rules:

- Every payload is JSON without NaN or infinity (RFC 8259 has neither). Each carries
  FORMAT, but for live readings, whose form is that of RFC 8428 (SenML).
- A key with a dimension ends in its unit; a figure of a channel is in the `unit` beside
  it; only live readings are converted, to the units that SenML registers.
- Within a FORMAT keys may be added, optional ones in a result's schema; a reader ignores
  keys that it does not know. Renaming or dropping a key, or changing what it means, raises FORMAT.
"""

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from types import MappingProxyType

from daq.records import (
    Channel,
    NormalisedBy,
    Reading,
    SessionFacts,
    TrialAverage,
    TrialResult,
    TrialState,
)
from daq.units import senml_value, unit_of

FORMAT = 1
EXPECTED_INTERVAL = "expected_interval"
"""Name of the record in each live pack that tells when its readings are old."""

_SENML_RELATIVE_BELOW_S = 2**28
# MQTT 5.0, 4.7.1 (wildcards, separator), 1.5.4 (NUL and surrogates must not, control
# characters should not appear).
_NOT_IN_A_LEVEL = re.compile(r"[+#/\x00-\x1f\x7f-\x9f\ud800-\udfff]")
_NOT_IN_A_SENML_NAME = re.compile(r"[^A-Za-z0-9._-]")


@dataclass(frozen=True, slots=True, kw_only=True)
class Topics:
    """Names of the topics of one bench, all below `<root>/<bench>/`.

    Attributes:
        bench: Name of the bench; what a level cannot hold becomes "_".
        root: First level, or several with "/" between them.
    """

    bench: str
    root: str = "steadybench"

    @property
    def status(self) -> str:
        """Whether the program is there; also the topic of the last will."""
        return self._below("status")

    @property
    def description(self) -> str:
        """What the bench consists of."""
        return self._below("bench")

    @property
    def state(self) -> str:
        """Where the session stands."""
        return self._below("state")

    @property
    def result(self) -> str:
        """Trials that have ended."""
        return self._below("result")

    @property
    def health(self) -> str:
        """How store, instruments and publishing fare."""
        return self._below("health")

    def live(self, instrument: str) -> str:
        """Readings of one instrument."""
        return self._below(f"live/{_level(instrument)}")

    def _below(self, tail: str) -> str:
        levels = [_level(level) for level in self.root.split("/") if level] or ["_"]
        # Topics that begin with "$" belong to the broker (MQTT 5.0, 4.7.2).
        root = re.sub(r"^\$", "_", "/".join(levels))
        return f"{root}/{_level(self.bench)}/{tail}"


def _level(name: str) -> str:
    return _NOT_IN_A_LEVEL.sub("_", name) or "_"


@dataclass(frozen=True, slots=True)
class InstrumentFacts:
    """One instrument, as the description of the bench gives it."""

    name: str
    title: str


@dataclass(frozen=True, slots=True)
class BenchFacts:
    """What a watcher needs to make sense of the other messages.

    Attributes:
        bench: Name of the bench.
        software: Name and version.
        speed: [1] bench seconds a real second; 1 unless it is a demonstration.
        instruments: In the order of the bench file.
        channels: In the order of the bench file.
    """

    bench: str
    software: str
    speed: float
    instruments: tuple[InstrumentFacts, ...]
    channels: tuple[Channel, ...]


@dataclass(frozen=True, slots=True)
class BenchState:
    """Where the session stands.

    Attributes:
        at_utc: RFC 3339; since when it stands so.
        stage: "waiting", "running-up", "settling", "averaging", "done" …
        instruction: What the operator is asked to do; empty where there is nothing.
        condition: What is fitted or asked for; None outside a session.
        trial: [1] number of the trial in the session; None outside a session.
        done: [1] trials of the plan that are done.
        total: [1] trials of the plan.
        seconds_left: [s] of bench time that the trial is likely to take from `at_utc` on, in round
            figures (0: it is ready any moment now); None where nothing can be said. Added within format 1.
    """

    at_utc: str
    stage: str
    instruction: str
    condition: str | None
    trial: int | None
    done: int
    total: int
    seconds_left: float | None = None


@dataclass(frozen=True, slots=True)
class InstrumentHealth:
    """How one instrument fares: a word for programs, a text for people, counts."""

    name: str
    state: str
    text: str
    readings: int
    gaps: int


@dataclass(frozen=True, slots=True)
class Health:
    """How the parts fare.

    Attributes:
        at_utc: RFC 3339.
        store_state: "ok" or "failing".
        store_text: For people.
        live_dropped: [1] live packs replaced by newer ones before they could be sent.
        instruments: One each.
    """

    at_utc: str
    store_state: str
    store_text: str
    live_dropped: int
    instruments: tuple[InstrumentHealth, ...]


def render_status(*, online: bool) -> str:
    """Payload of the status topic and, with `online=False`, of the last will."""
    return _json({"format": FORMAT, "state": "online" if online else "offline"})


def render_description(facts: BenchFacts, topics: Topics) -> str:
    """Payload of the bench topic; each instrument names the topic it speaks on."""
    instruments = [
        {**asdict(instrument), "topic": topics.live(instrument.name)}
        for instrument in facts.instruments
    ]
    return _json({"format": FORMAT, **asdict(facts), "instruments": instruments})


def render_state(state: BenchState) -> str:
    """Payload of the state topic."""
    return _json({"format": FORMAT, **asdict(state)})


def render_health(health: Health) -> str:
    """Payload of the health topic."""
    return _json({"format": FORMAT, **asdict(health)})


def render_live(
    reading: Reading, *, bench: str, channels: Sequence[Channel], utc_s: float
) -> str:
    """One reading as a SenML pack.

    A value that is missing is left out. Field `ut` is not used: it promises the longest
    time until the next value, which a polled line cannot; the interval that is planned
    is a record of its own.

    Args:
        reading: What the instrument said.
        bench: Name of the bench, first part of each name.
        channels: Channels of the bench; those of other instruments are passed over.
        utc_s: When the values were true [s since 1970-01-01T00:00:00Z].

    Returns:
        A pack of media type application/senml+json.

    Raises:
        ValueError: If no channel belongs to the instrument or a value is not finite.

    Validity:
        SenML takes times before July 1978 for relative. A computer that has not been
        told the time yet is there; its packs carry no time, which means "now".

    Source:
        RFC 8428, 4.2 to 4.6; characters of names 4.5.1, relative times 4.5.3.
    """
    own = [channel for channel in channels if channel.instrument == reading.instrument]
    if not own:
        msg = f"{reading.instrument}: no channel reads this instrument"
        raise ValueError(msg)
    base_name = f"{_senml_part(bench)}:{_senml_part(reading.instrument)}:"
    interval_s = max(channel.interval_s for channel in own)
    interval = {"n": EXPECTED_INTERVAL, "u": "s", "v": interval_s}
    first, *rest = [*_senml_records(reading, own), interval]
    base = {"bn": base_name}
    time = {"bt": utc_s} if utc_s >= _SENML_RELATIVE_BELOW_S else {}
    return _json([{**base, **time, **first}, *rest])


def _senml_records(
    reading: Reading, channels: Sequence[Channel]
) -> list[dict[str, object]]:
    records: list[dict[str, object]] = []
    for channel in channels:
        value = reading.values[channel.field_index]
        if value is not None:
            unit = unit_of(channel.unit)
            name = _senml_part(channel.name)
            records.append({"n": name, "u": unit.senml, "v": senml_value(value, unit)})
    return records


def _senml_part(name: str) -> str:
    # A name begins with a letter or digit; ":" parts our names and nothing else.
    return _NOT_IN_A_SENML_NAME.sub("_", name).lstrip("._-") or "x"


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
    return _json(
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


def _json(value: object) -> str:
    return json.dumps(value, allow_nan=False, ensure_ascii=False, separators=(",", ":"))


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
