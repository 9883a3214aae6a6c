"""What bytes on a serial line have in common: character times, checksums, text, numbers.

Knows no port, no instrument and no protocol's questions; it is the arithmetic under
all of them. Nothing here raises on received bytes, whatever they are: a line that is
not clean text and a text that is not a number come back as None.
"""

import re

SHOWN_BYTES = 64
"""How many bytes of a bad reply a message shows."""

OVERRANGE = 9.9e37
"""Magnitude from which a number sent as text means "no number"; see `number_from_text`."""

_POLYNOMIAL = 0xA001
_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?([Ee][+-]?[0-9]+)?")
_TEXT = b"\t" + bytes(range(0x20, 0x7F))
_PARITIES = "NEOMS"


def _crc_of_byte(byte: int) -> int:
    """One entry of the CRC table: eight shifts of the reflected polynomial."""
    for _ in range(8):
        byte = (byte >> 1) ^ _POLYNOMIAL if byte & 1 else byte >> 1
    return byte


_CRC_TABLE = tuple(_crc_of_byte(byte) for byte in range(256))


def crc16_modbus(data: bytes) -> int:
    """Cyclic redundancy check of a Modbus RTU frame.

    Reflected polynomial 0xA001, start value 0xFFFF, no final inversion. Over a whole
    frame, its own CRC included, the result is 0.

    Args:
        data: Bytes in the order of the wire [bytes].

    Returns:
        CRC [1], 0 to 0xFFFF; it goes onto the wire low byte first.

    Source:
        Modbus over Serial Line V1.02, 2.5.1.2 and Appendix B.

    Example:
        >>> hex(crc16_modbus(b"123456789"))
        '0x4b37'
    """
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _CRC_TABLE[(crc ^ byte) & 0xFF]
    return crc


def append_crc(payload: bytes) -> bytes:
    """Make a whole Modbus RTU frame of unit, function and data."""
    return payload + crc16_modbus(payload).to_bytes(2, "little")


def character_bits(bits: int, parity: str, stop_bits: float) -> float:
    """Length of one character on the wire, start bit included.

    Args:
        bits: Data bits of a character [bit], 5 to 8.
        parity: N (none), E, O, M or S [letter].
        stop_bits: 1, 1.5 or 2 [bit].

    Returns:
        Length of a character [bit].

    Raises:
        ValueError: If one of them is not possible on a serial line.

    Source:
        Modbus over Serial Line V1.02, 2.5.1: start, 8 data, parity, stop: 11 bits.

    Example:
        >>> character_bits(8, "E", 1)
        11.0
    """
    if bits not in range(5, 9):
        msg = f"data bits {bits}, expected 5 to 8"
        raise ValueError(msg)
    if len(parity) != 1 or parity not in _PARITIES:
        msg = f"parity {parity!r}, expected one of {', '.join(_PARITIES)}"
        raise ValueError(msg)
    if stop_bits not in (1, 1.5, 2):
        msg = f"stop bits {stop_bits}, expected 1, 1.5 or 2"
        raise ValueError(msg)
    return 1.0 + bits + (parity != "N") + stop_bits


def character_time_s(baud: int, bits: int, parity: str, stop_bits: float) -> float:
    """Time that one character spends on the wire.

    Args:
        baud: Speed of the line [bit/s], above 0.
        bits: Data bits of a character [bit], 5 to 8.
        parity: N (none), E, O, M or S [letter].
        stop_bits: 1, 1.5 or 2 [bit].

    Returns:
        Time of a character [s].

    Raises:
        ValueError: If one of them is not possible on a serial line.

    Source:
        Closed form: bits of a character over bits a second.

    Example:
        >>> round(character_time_s(9600, 8, "E", 1) * 1e3, 4)
        1.1458
    """
    if baud <= 0:
        msg = f"baud rate {baud} bit/s, expected above 0"
        raise ValueError(msg)
    return character_bits(bits, parity, stop_bits) / baud


def modbus_silence_s(baud: int, char_bits: float) -> float:
    """Silence t3.5 that a Modbus RTU line must keep before each frame.

    Args:
        baud: Speed of the line [bit/s], above 0.
        char_bits: Length of a character, start bit included [bit].

    Returns:
        Least silence [s].

    Raises:
        ValueError: If the speed or the length is not above 0.

    Source:
        Modbus over Serial Line V1.02, 2.5.1.1: 3.5 characters up to 19 200 bit/s, above
        that fixed at 1.750 ms.

    Example:
        >>> round(modbus_silence_s(9600, 11) * 1e3, 4)
        4.0104
    """
    if baud <= 0 or char_bits <= 0:
        msg = f"{baud} bit/s, {char_bits} bits a character, expected both above 0"
        raise ValueError(msg)
    return 3.5 * char_bits / baud if baud <= 19_200 else 1.75e-3


def text_from_line(line: bytes) -> str | None:
    """The line as text without blanks and line ends around; None unless plain ASCII.

    A tab is text, for some instruments set their columns apart with it; any other
    control character, and a line end inside the line, marks a byte lost or invented.
    """
    stripped = line.strip(b" \r\n")
    return None if stripped.translate(None, _TEXT) else stripped.decode("ascii")


def number_from_text(text: str) -> float | None:
    """The number that an instrument wrote; None if it is not one.

    Accepts integers (NR1), decimals (NR2) and decimals with an exponent (NR3), blanks
    around; nothing else that Python would take ("nan", "1_000", digits of other scripts).
    An instrument says "overrange" with 9.9E37 and "not a number" with 9.91E37: these
    come back as they are, and whoever takes the number compares it with `OVERRANGE`.

    Source:
        IEEE 488.2-1992, 8.7.2 to 8.7.4 (from memory); SCPI-1999 vol. 1, 7.2.1.4 and
        7.2.1.5.
    """
    bare = text.strip(" ")
    return float(bare) if _NUMBER.fullmatch(bare) else None


def shown_bytes(data: bytes) -> str:
    """Bytes for a message: as Python writes them, the first 64 at most."""
    more = len(data) - SHOWN_BYTES
    return f"{data[:SHOWN_BYTES]!r}" + (f" and {more} more" if more > 0 else "")
