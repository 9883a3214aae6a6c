"""USB-serial chips by their USB numbers: what they are called, and which kernel module drives them.

The numbers are those of the kernel's own drivers (their tables of devices). Everything else that has a serial port is
told by its driver; no chip is guessed from a product's name.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Chip:
    """A chip family and its kernel module."""

    name: str
    module: str


_BY_NUMBERS = {
    ("0403", "6001"): Chip("FT232", "ftdi_sio"),
    ("0403", "6010"): Chip("FT2232", "ftdi_sio"),
    ("0403", "6011"): Chip("FT4232", "ftdi_sio"),
    ("0403", "6014"): Chip("FT232H", "ftdi_sio"),
    ("0403", "6015"): Chip("FT230X", "ftdi_sio"),
    ("067b", "2303"): Chip("PL2303", "pl2303"),
    ("067b", "23a3"): Chip("PL2303GC", "pl2303"),
    ("067b", "23b3"): Chip("PL2303GB", "pl2303"),
    ("067b", "23c3"): Chip("PL2303GT", "pl2303"),
    ("067b", "23d3"): Chip("PL2303GL", "pl2303"),
    ("067b", "23e3"): Chip("PL2303GE", "pl2303"),
    ("067b", "23f3"): Chip("PL2303GS", "pl2303"),
    ("10c4", "ea60"): Chip("CP2102", "cp210x"),
    ("10c4", "ea70"): Chip("CP2105", "cp210x"),
    ("10c4", "ea71"): Chip("CP2108", "cp210x"),
    ("1a86", "5523"): Chip("CH341", "ch341"),
    ("1a86", "7522"): Chip("CH340K", "ch341"),
    ("1a86", "7523"): Chip("CH340", "ch341"),
    ("1a86", "55d3"): Chip("CH343", "cdc_acm"),
    ("1a86", "55d4"): Chip("CH9102", "cdc_acm"),
}
_BY_DRIVER = {
    "ftdi_sio": "FT232 family",
    "pl2303": "PL2303 family",
    "cp210x": "CP210x family",
    "ch341-uart": "CH340 family",
    "cdc_acm": "serial port of its own (USB class CDC ACM)",
}


def chip_of(vendor_id: str, product_id: str) -> Chip | None:
    """A known chip by its USB numbers (four hex digits each, small letters)."""
    return _BY_NUMBERS.get((vendor_id, product_id))


def chip_name(vendor_id: str, product_id: str, driver: str) -> str:
    """What to call an adapter's chip; empty where neither numbers nor driver tell."""
    chip = chip_of(vendor_id, product_id)
    return chip.name if chip else _BY_DRIVER.get(driver, "")
