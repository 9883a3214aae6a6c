"""Units as the bench writes them: spelling, quantity, column suffix, SenML symbol.

Knows nothing of instruments or channels. A unit is written here as on meters and in
bench files ("m3/h", "%RH"); values keep that unit from the meter to the average, and
are converted only where another unit is required: in a SenML pack and in formulas.

Sources: SI Brochure (9th ed.) for the SI; UCUM for the exact non-SI factors
([cft_i] = [ft_i]^3, [ft_i] = 0.3048 m, [in_i'H2O] = 249.08891 Pa); RFC 8428 section 12.1
and RFC 8798 for the SenML symbols.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit of one quantity.

    A value in this unit becomes `value * factor + offset` in the unit that SenML
    registers for the quantity.
    """

    symbol: str
    quantity: str
    column_suffix: str
    senml: str
    factor: float = 1.0
    offset: float = 0.0

    @property
    def has_agreed_zero(self) -> bool:
        """Whether zero is a point that people agreed on, so that ratios mean nothing."""
        return self.quantity == "temperature"


_FOOT_M = 0.3048
_UNITS = (
    Unit("V", "voltage", "v", "V"),
    Unit("A", "current", "a", "A"),
    Unit("mA", "current", "ma", "A", 1e-3),
    Unit("W", "power", "w", "W"),
    Unit("kW", "power", "kw", "W", 1e3),
    Unit("VA", "apparent power", "va", "VA"),
    Unit("1", "power factor", "ratio", "/"),
    Unit("Hz", "frequency", "hz", "Hz"),
    Unit("rpm", "rotational speed", "rpm", "1/min"),
    Unit("Wh", "energy", "wh", "J", 3600.0),
    Unit("kWh", "energy", "kwh", "J", 3.6e6),
    Unit("m/s", "velocity", "m_per_s", "m/s"),
    Unit("ft/min", "velocity", "ft_per_min", "m/s", _FOOT_M / 60.0),
    Unit("m3/s", "airflow", "m3_per_s", "m3/s"),
    Unit("m3/h", "airflow", "m3_per_h", "m3/s", 1.0 / 3600.0),
    Unit("L/s", "airflow", "l_per_s", "m3/s", 1e-3),
    Unit("ft3/min", "airflow", "ft3_per_min", "m3/s", _FOOT_M**3 / 60.0),
    Unit("Pa", "pressure", "pa", "Pa"),
    Unit("hPa", "pressure", "hpa", "Pa", 1e2),
    Unit("mbar", "pressure", "mbar", "Pa", 1e2),
    Unit("kPa", "pressure", "kpa", "Pa", 1e3),
    Unit("inH2O", "pressure", "in_h2o", "Pa", 249.08891),
    Unit("Cel", "temperature", "celsius", "Cel"),
    Unit("degF", "temperature", "deg_f", "Cel", 5.0 / 9.0, -160.0 / 9.0),
    Unit("%RH", "humidity", "percent_rh", "%RH"),
)
UNITS: dict[str, Unit] = {unit.symbol: unit for unit in _UNITS}
QUANTITIES: tuple[str, ...] = tuple(dict.fromkeys(unit.quantity for unit in _UNITS))


def unit_of(symbol: str) -> Unit:
    """Look a unit up by its spelling.

    Raises:
        ValueError: If this project does not know the unit.
    """
    try:
        return UNITS[symbol]
    except KeyError:
        msg = f"unknown unit {symbol!r}, expected one of {', '.join(UNITS)}"
        raise ValueError(msg) from None


def senml_value(value: float, unit: Unit) -> float:
    """The value in the unit that the SenML registry has for the quantity."""
    return value * unit.factor + unit.offset
