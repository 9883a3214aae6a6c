"""Opening a device with pyserial: every line setting, exclusive, and what went wrong in the user's words."""

import contextlib
import errno
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import serial

from daq.config.bench import PortSettings
from daq.errors import InstrumentError, PortAbsentError, PortBusyError, PortDeniedError
from daq.runtime.ports.access import refusal
from daq.runtime.ports.holders import busy_words
from daq.runtime.ports.system import System
from daq.starting_files import is_placeholder

HAS_DESCRIPTORS = sys.platform != "win32"

_REFUSALS: tuple[type[Exception], ...] = (serial.SerialException, OSError, ValueError)
if HAS_DESCRIPTORS:
    import fcntl
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
    if _is_pseudo_terminal(settings.url):
        return {"bytesize": serial.EIGHTBITS, "parity": serial.PARITY_NONE}
    return {"bytesize": settings.data_bits, "parity": _PARITIES[settings.parity]}


def _is_pseudo_terminal(url: str) -> bool:
    return str(Path(url).resolve()).startswith("/dev/pts/")


_HELD: dict[str, int] = {}
"""Descriptors of `hold_port` by device. Locks belong to the process too, so that there can be but one such table."""


@contextlib.contextmanager
def hold_port(url: str) -> Iterator[None]:
    """Keep a device for this program while it opens and closes it time after time; others are refused throughout.

    Args:
        url: Path of the device; of a URL nothing is held.

    Raises:
        PortAbsentError, PortBusyError, PortDeniedError: With what to do about it.
    """
    if "://" in url or not HAS_DESCRIPTORS:
        yield
        return
    device = str(Path(url).resolve())
    try:
        descriptor = os.open(device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError as exc:
        raise port_error(url, exc) from exc
    try:
        _lock(descriptor, url)
        _HELD[device] = descriptor
        try:
            yield
        finally:
            del _HELD[device]
    finally:
        os.close(descriptor)


def _lock(descriptor: int, url: str) -> None:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as exc:
        raise port_error(url, exc) from exc


def _let_ourselves_in(held: int) -> None:
    """Undo `_keep_others_out` of the last opening: it stands, for the device was never quite closed."""
    with contextlib.suppress(*_REFUSALS):
        fcntl.ioctl(held, termios.TIOCNXCL)


def open_serial(settings: PortSettings, *, timeout_s: float) -> Any:  # noqa: ANN401  # pyserial's class differs by URL
    """Open a device or URL.

    Raises:
        PortAbsentError, PortBusyError, PortDeniedError: With what to do about it.
    """
    held = _HELD.get(str(Path(settings.url).resolve()))
    if held is not None:
        _let_ourselves_in(held)
    # What is held is locked already, and a second lock would be refused to us too.
    is_locking = HAS_DESCRIPTORS and held is None
    try:
        device = serial.serial_for_url(
            settings.url,
            baudrate=settings.baud,
            stopbits=settings.stop_bits,
            timeout=timeout_s,
            exclusive=True if is_locking else None,
            **_character(settings),
        )
    except _REFUSALS as exc:
        raise port_error(settings.url, exc) from exc
    # Adapters hold bytes back for up to 16 ms to fill a transfer; not every driver can be asked not to.
    with contextlib.suppress(AttributeError, ValueError, OSError, NotImplementedError):
        device.set_low_latency_mode(True)
    with contextlib.suppress(*_REFUSALS, AttributeError):
        _read_bad_characters_as_nul(device)
        _keep_others_out(device, settings.url)
    with contextlib.suppress(OSError, serial.SerialException):
        device.reset_input_buffer()
    return device


def _read_bad_characters_as_nul(device: Any) -> None:  # noqa: ANN401  # pyserial's class differs by URL
    """Have the system check parity and stop bits of what arrives; pyserial switches that off whatever the parity.

    A NUL stands in no line of text and breaks any checksum, so that a bad character costs its reading and no more.
    """
    if not HAS_DESCRIPTORS:
        return
    settings = termios.tcgetattr(device.fileno())
    settings[0] = settings[0] & ~(termios.IGNPAR | termios.PARMRK) | termios.INPCK
    termios.tcsetattr(device.fileno(), termios.TCSANOW, settings)


def _keep_others_out(device: Any, url: str) -> None:  # noqa: ANN401  # pyserial's class differs by URL
    """Have the system refuse the line to programs that do not look at locks: each byte that one reads is lost to us."""
    # At a pseudo-terminal it would outlive us for as long as the other end is held open.
    if HAS_DESCRIPTORS and not _is_pseudo_terminal(url):
        fcntl.ioctl(device.fileno(), termios.TIOCEXCL)


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
        "nothing is there, plug the adapter in or correct the path: `daq ports` lists them",
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


def port_error(
    url: str, exc: Exception, *, system: System | None = None
) -> InstrumentError:
    """What an operating system's error means for the user, with what the system shows of that port."""
    number = _error_number(exc)
    for numbers, kind, usual in _MEANINGS:
        if number in numbers:
            words = _closer_words(url, kind, system) if number in _LOOKED_AT else None
            return kind(f"port {url}: {words or usual}")
    if isinstance(exc.__context__, OSError) and "://" in url:
        reason = exc.__context__.strerror or exc.__context__
        return PortAbsentError(
            f"port {url}: nobody answers there ({reason}), check the device server and its port"
        )
    if _WITHOUT_SIGNALS in str(exc):
        option = f"{'&' if '?' in url else '?'}ign_set_control"
        return PortAbsentError(
            f"port {url}: the device server does not answer for modem signals, as its line has none; write {option}"
            " at the end of that address"
        )
    return PortAbsentError(f"port {url}: cannot be opened: {exc}")


_WITHOUT_SIGNALS = "timeout while waiting for option 'control'"
"""What pyserial says where an RFC 2217 server leaves SET-CONTROL without an answer."""

_LOOKED_AT = frozenset(
    {errno.EAGAIN, errno.EWOULDBLOCK, errno.EBUSY, errno.EACCES, errno.EPERM}
    | {errno.ENOENT}
)
"""Errors of which the system tells more than their number."""


def _closer_words(
    url: str, kind: type[InstrumentError], system: System | None
) -> str | None:
    """Who holds it, which group it wants, whether it was ever named; None where no more can be told."""
    if is_placeholder(url):
        return "a placeholder still, write the path of your adapter in its place: `daq ports` lists them"
    if "://" in url or not HAS_DESCRIPTORS:
        return None
    system = system or System()
    device = url if system.root != Path("/") else str(Path(url).resolve())
    if kind is PortBusyError:
        return busy_words(device, system)
    if kind is PortDeniedError and (why := refusal(device, system)):
        return f"the system refuses it to this user: {why}"
    return None


def _error_number(exc: Exception) -> int | None:
    """The system's number; pyserial leaves it out of some errors that it wraps."""
    number = getattr(exc, "errno", None) or next(
        (a for a in exc.args if isinstance(a, int)), None
    )
    if number is None and exc.__context__ is not None:
        number = next(iter(exc.__context__.args), None)
    return number if isinstance(number, int) else None
