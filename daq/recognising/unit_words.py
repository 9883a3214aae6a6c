"""Units as meters write them after a number, and labels as they write them before one.

A word stands for a unit only if it can mean nothing else in this trade; a bare per cent sign can, and a letter before a
number (U, V, P …) is a hint for the operator and no more.
"""

from daq.units import UNITS

_WRITTEN = {
    "V": ("VAC", "VDC", "Vrms", "volt", "volts"),
    "A": ("AAC", "ADC", "Arms", "amp", "amps"),
    "W": ("watt", "watts"),
    "Hz": ("hertz",),
    "rpm": ("r/min", "1/min"),
    "m/s": (),
    "ft/min": ("fpm",),
    "m3/h": ("cmh",),
    "L/s": ("lps",),
    "ft3/min": ("cfm",),
    "inH2O": ("inWC", "inWG"),
    "Cel": ("C", "degC", "celsius", "\N{DEGREE SIGN}C"),
    "degF": ("F", "fahrenheit", "\N{DEGREE SIGN}F"),
    "%RH": ("RH%", "%rF", "%r.H.", "%r.h."),
}
# Upper and lower case differ where a prefix would ("mA", "MA"), so a spelling in capitals stands by itself.
_CAPITALS = ("HZ", "RPM", "CFM", "FPM", "KW", "KWH", "WH", "PA", "HPA", "KPA", "M/S")

_SYMBOL_OF: dict[str, str] = {
    **{symbol: symbol for symbol in UNITS if symbol != "1"},
    **{word: symbol for symbol, words in _WRITTEN.items() for word in words},
}
_LOWER = {symbol.lower(): symbol for symbol in (*_SYMBOL_OF,)}
_SYMBOL_OF |= {
    word: _SYMBOL_OF[_LOWER[word.lower()]]
    for word in _CAPITALS
    if word.lower() in _LOWER
}

_LABELS = {
    "voltage": ("U", "V", "VOLT", "VOLTAGE", "VRMS", "URMS"),
    "current": ("I", "A", "AMP", "CURRENT", "CURR", "IRMS"),
    "power": ("P", "W", "POWER", "WATT"),
    "power factor": ("PF", "COS", "COSPHI", "LAMBDA"),
    "frequency": ("F", "FREQ", "HZ"),
    "velocity": ("VEL", "VELOCITY", "SPEED"),
    "temperature": ("T", "TEMP", "TEMPERATURE"),
    "humidity": ("H", "RH", "HUM", "HUMIDITY"),
    "pressure": ("DP", "PRESSURE", "PRES", "BARO"),
}
_QUANTITY_OF_LABEL = {
    label: quantity for quantity, labels in _LABELS.items() for label in labels
}


def unit_symbol_of(word: str) -> str | None:
    """This project's symbol of a unit as a meter writes it; None unless it is beyond doubt."""
    return _SYMBOL_OF.get(word)


def typed_unit(word: str) -> str | None:
    """This project's symbol of a unit as a person types it, in small letters too; None where it means nothing here."""
    if word in UNITS:
        return word
    symbol = unit_symbol_of(word)
    if symbol is None and word.islower():
        return _SYMBOL_OF.get(_LOWER.get(word, ""))
    return symbol


def quantity_hinted_by(label: str) -> str | None:
    """What a label before a number may mean; never enough to go by alone."""
    return _QUANTITY_OF_LABEL.get(label.upper())


def field_names(symbols: list[str]) -> list[str]:
    """A field's name from each unit: voltage, current …, numbered where one comes twice."""
    plain = [UNITS[symbol].quantity.replace(" ", "_") for symbol in symbols]
    return [
        f"{name}_{plain[: index + 1].count(name)}" if plain.count(name) > 1 else name
        for index, name in enumerate(plain)
    ]
