"""Live readings as SenML (RFC 8428): made here, and taken apart again."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from daq.errors import InputError
from daq.messages.form import Fields, parse_json, render_json
from daq.records import Channel, Reading
from daq.units import senml_value, unit_of

EXPECTED_INTERVAL = "expected_interval"
"""Name of the record in each live pack that tells when its readings are old."""

_SENML_RELATIVE_BELOW_S = 2**28
_NOT_IN_A_SENML_NAME = re.compile(r"[^A-Za-z0-9._-]")


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
    return render_json([{**base, **time, **first}, *rest])


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


@dataclass(frozen=True, slots=True)
class LivePack:
    """One reading as it was received.

    Attributes:
        at_utc_s: When the values were true [s since 1970-01-01T00:00:00Z]; None where the bench did not know.
        interval_s: Planned spacing [s of the bench]; None where the pack does not tell.
        values: By the channel's SenML name, in the unit that SenML registers.
    """

    at_utc_s: float | None
    interval_s: float | None
    values: Mapping[str, float]

    def value_of(self, name: str, unit: str) -> float | None:
        """Value of a channel in its own unit; None where the pack has none, or the unit is not known here."""
        value = self.values.get(_senml_part(name))
        try:
            own = unit_of(unit)
        except ValueError:
            return None
        return None if value is None else (value - own.offset) / own.factor


def parse_live(payload: bytes | str) -> LivePack:
    """A live pack as `render_live` makes it; records that are no numbers are passed over.

    Raises:
        InputError: If it is no SenML pack.

    Source:
        RFC 8428, 4.1 to 4.6: base name and base time hold from the record on that gives them.
    """
    pack = parse_json(payload, place="live")
    if not isinstance(pack, list) or not all(isinstance(each, dict) for each in pack):
        msg = "live: no SenML pack, expected a list of records"
        raise InputError(msg)
    base_name, at_s = "", None
    values: dict[str, float] = {}
    for record in (Fields("live", each) for each in pack):
        base_name = record.text("bn") if "bn" in record.values else base_name
        at_s = record.number("bt") if "bt" in record.values else at_s
        if "v" in record.values:
            name = base_name + (record.text_or_none("n") or "")
            values[name.rpartition(":")[2]] = record.number("v")
    return LivePack(at_s, values.pop(EXPECTED_INTERVAL, None), values)
