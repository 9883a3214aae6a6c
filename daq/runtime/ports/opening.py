"""Opening a device with pyserial: every line setting, exclusive, and what went wrong in the user's words."""

import contextlib
import errno
import sys
from pathlib import Path
from typing import Any

import serial

from daq.config.bench import PortSettings
from daq.errors import InstrumentError, PortAbsentError, PortBusyError, PortDeniedError

HAS_DESCRIPTORS = sys.platform != "win32"

_REFUSALS: tuple[type[Exception], ...] = (serial.SerialException, OSError, ValueError)
if HAS_DESCRIPTORS:
    import termios

    # Not an OSError, though it comes from the system in the same way.
    _REFUSALS = (*_REFUSALS, termios.error)

_PARITIES = {
    "none": serial.PARITY_NONE,
    "even": serial.PARITY_EVEN,
    "odd": serial.PARITY_ODD,
    "mark": serial.PARITY_MARK,
    "space": serial.PARITY_SPACE,
}


def _character(settings: PortSettings) -> dict[str, Any]:
    """Data bits and parity, in pyserial's terms."""
    # A pseudo-terminal has 8 and none, and refuses to be opened a second time with others.
    if str(Path(settings.url).resolve()).startswith("/dev/pts/"):
        return {"bytesize": serial.EIGHTBITS, "parity": serial.PARITY_NONE}
    return {"bytesize": settings.data_bits, "parity": _PARITIES[settings.parity]}


def open_serial(settings: PortSettings, *, timeout_s: float) -> Any:  # noqa: ANN401  # pyserial's class differs by URL
    """Open a device or URL.

    Raises:
        PortAbsentError, PortBusyError, PortDeniedError: With what to do about it.
    """
    try:
        device = serial.serial_for_url(
            settings.url,
            baudrate=settings.baud,
            stopbits=settings.stop_bits,
            timeout=timeout_s,
            exclusive=True if HAS_DESCRIPTORS else None,
            **_character(settings),
        )
    except _REFUSALS as exc:
        raise port_error(settings.url, exc) from exc
    # Adapters hold bytes back for up to 16 ms to fill a transfer; not every driver can be asked not to.
    with contextlib.suppress(AttributeError, ValueError, OSError, NotImplementedError):
        device.set_low_latency_mode(True)
    with contextlib.suppress(OSError, serial.SerialException):
        device.reset_input_buffer()
    return device


_MEANINGS: tuple[tuple[frozenset[int], type[InstrumentError], str], ...] = (
    (
        frozenset({errno.EAGAIN, errno.EWOULDBLOCK, errno.EBUSY}),
        PortBusyError,
        "another program holds it, close that program",
    ),
    (
        frozenset({errno.EACCES, errno.EPERM}),
        PortDeniedError,
        "the system refuses it to this user, join the group that owns it (often dialout) and log in again",
    ),
    (
        frozenset({errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.EIO}),
        PortAbsentError,
        "nothing is there, plug the adapter in or correct the path",
    ),
    (
        frozenset({errno.EISDIR, errno.ENOTTY}),
        PortAbsentError,
        "no serial line, correct the path to that of the adapter",
    ),
    (
        frozenset({errno.EINVAL}),
        PortDeniedError,
        "the adapter refuses these line settings, correct baud rate, bits and parity",
    ),
)


def port_error(url: str, exc: Exception) -> InstrumentError:
    """What an operating system's error means for the user."""
    number = _error_number(exc)
    for numbers, kind, words in _MEANINGS:
        if number in numbers:
            return kind(f"port {url}: {words}")
    if isinstance(exc.__context__, OSError) and "://" in url:
        reason = exc.__context__.strerror or exc.__context__
        return PortAbsentError(
            f"port {url}: nobody answers there ({reason}), check the device server and its port"
        )
    return PortAbsentError(f"port {url}: cannot be opened: {exc}")


def _error_number(exc: Exception) -> int | None:
    """The system's number; pyserial leaves it out of some errors that it wraps."""
    number = getattr(exc, "errno", None) or next(
        (a for a in exc.args if isinstance(a, int)), None
    )
    if number is None and exc.__context__ is not None:
        number = next(iter(exc.__context__.args), None)
    return number if isinstance(number, int) else None
