"""Adapters in words and as JSON, for `daq ports`."""

import shlex
from collections.abc import Iterator, Sequence
from dataclasses import asdict

from daq.runtime.ports.adapters import Adapter, Found, Names, PortlessChip
from daq.runtime.ports.holders import Holder, holding_words, is_service
from daq.runtime.ports.plugs import Change, Plugging

_NONE_AT_ALL = """No serial adapter is there. What to look for:
  - the cable and the socket: some USB cables only carry power; try another of each, without a hub
  - what the kernel says while you plug it in: sudo dmesg --follow
    It should end with "now attached to ttyUSB0" or "ttyACM0"; if nothing appears at all, it is cable, socket or adapter.
  - whether the kernel module of its chip is there: lsusb shows the chip,
    sudo modprobe ftdi_sio (FT232), ch341 (CH340), cp210x (CP2102), pl2303 (PL2303)
  - {container}
"""
_CONTAINER = "a container or a virtual machine sees only what is handed in: --device=/dev/ttyUSB0, or the machine's USB settings"
_INSIDE = f"this seems to be the inside of a container: {_CONTAINER}"


def as_text(found: Found) -> str:
    """Everything that was found, for people."""
    parts = ["\n".join(_adapter_lines(a)) + "\n" for a in found.adapters]
    parts += [_portless_line(each) + "\n" for each in found.portless]
    if not found.portless and not any(a.is_usb for a in found.adapters):
        inside = _INSIDE if found.is_container else _CONTAINER
        parts.append(_NONE_AT_ALL.format(container=inside))
        if not found.adapters:
            return parts[0]
    suspects = {h for a in found.adapters for h in a.holders if not h.is_certain}
    parts += [_suspect_line(h) for h in sorted(suspects, key=lambda h: h.pid)]
    count = len(found.adapters)
    noun = "serial port" if count == 1 else "serial ports"
    return "\n".join([f"{count} {noun}.\n", *parts, *_next_step(found.adapters)])


def _next_step(adapters: Sequence[Adapter]) -> Iterator[str]:
    """How to go on with a port that can be used, one on USB first; nothing where none can."""
    usable = [adapter for adapter in adapters if not troubles(adapter)]
    for adapter in sorted(usable, key=lambda a: not a.is_usb)[:1]:
        port = shlex.quote(adapter.port)
        where = (
            "the meter at a port talks"
            if adapter.is_usb
            else "a meter talks that is on a port built in"
        )
        yield (
            f"Next, how {where}, where no profile is known to fit it (else daq new my-bench):\n"
            f"  daq listen {port} --write found-meter\n"
        )


def built_in(adapters: Sequence[Adapter]) -> str:
    """Ports that nobody can unplug, before it is said that there is no other; empty for none."""
    listed = ", ".join(adapter.device for adapter in adapters)
    return f"Built in, so not to be unplugged: {listed}\n" if listed else ""


def short(adapter: Adapter) -> str:
    """An adapter in half a line: device, chip, serial number or socket."""
    parts = [adapter.device]
    if adapter.chip:
        parts.append(adapter.chip)
    if adapter.serial_number:
        parts.append(f"serial number {adapter.serial_number}")
    if adapter.place:
        parts.append(f"USB socket {adapter.place.partition(':')[0]}")
    return ", ".join(parts)


def change_words(change: Change) -> str:
    """One change, with the line for the bench where there is one to write."""
    said = {
        Plugging.GONE: "Unplugged",
        Plugging.BACK: "Back",
        Plugging.MOVED: "Back, in another socket",
        Plugging.NEW: "New",
    }[change.what]
    text = f"{said}: {short(change.adapter)}\n"
    if change.what is not Plugging.GONE:
        text += "".join(f"  {line}\n" for line in _port_lines(change.adapter))
    return text


def troubles(adapter: Adapter) -> list[str]:
    """What stands in the way of using it."""
    found = [adapter.refusal] if adapter.refusal else []
    if not adapter.is_there:
        found.append(
            f"the kernel knows it, but there is no {adapter.device} here:"
            f" in a container, hand it in (--device={adapter.device})"
        )
    found += [holding_words(h) for h in adapter.holders if _is_unwanted(h)]
    return found


def _is_unwanted(holder: Holder) -> bool:
    """A service that took it by itself; a program of the user's may well be meant to hold it."""
    return holder.is_certain and is_service(holder)


# ---- lines


def _adapter_lines(adapter: Adapter) -> Iterator[str]:
    yield f"{adapter.device}  {_what_it_is(adapter)}"
    yield from (f"  by id    {path}" for path in adapter.by_id)
    yield from (f"  by path  {path}" for path in adapter.by_path)
    if adapter.twins:
        yield (
            f"  only its socket tells it from {', '.join(adapter.twins)}:"
            " daq ports --which shows which is which"
        )
    yield from (f"  held by {h.shown}" for h in adapter.holders if h.is_certain)
    yield from (
        f"  may be held by {h.shown}" for h in adapter.holders if not h.is_certain
    )
    yield from (f"  ! {trouble}" for trouble in troubles(adapter))
    yield from (f"  {line}" for line in _port_lines(adapter))


def _what_it_is(adapter: Adapter) -> str:
    if not adapter.is_usb:
        return f"built in, driver {adapter.driver}" if adapter.driver else "built in"
    chip = adapter.chip or adapter.product or "unknown chip"
    parts = [f"{chip} ({adapter.vendor_id}:{adapter.product_id})"]
    number = adapter.serial_number
    parts.append(f"serial number {number}" if number else "no serial number")
    if adapter.driver:
        parts.append(f"driver {adapter.driver}")
    if adapter.place:
        parts.append(f"USB socket {adapter.place.partition(':')[0]}")
    return ", ".join(parts)


def _port_lines(adapter: Adapter) -> Iterator[str]:
    yield f'port = "{adapter.port}"'
    if adapter.caution:
        yield f"caution: {adapter.caution}"


def _portless_line(each: PortlessChip) -> str:
    numbers = f"{each.vendor_id}:{each.product_id}"
    return f"{each.chip} ({numbers}) in USB socket {each.place} has no port\n  ! {each.trouble}"


def _suspect_line(holder: Holder) -> str:
    """What to do about a service, once for all ports."""
    return f"If a port turns out to be busy: {holding_words(holder)}.\n"


# ---- for programs


def as_facts(found: Found) -> dict[str, object]:
    """The same facts for programs."""
    return {
        "format": 1,
        "is_container": found.is_container,
        "adapters": [_facts(adapter) for adapter in found.adapters],
        "portless": [asdict(each) for each in found.portless],
    }


def _facts(adapter: Adapter) -> dict[str, object]:
    facts = asdict(adapter)
    facts["names"] = Names(adapter.names).value
    facts["may_open"] = adapter.is_there and adapter.refusal is None
    facts["troubles"] = troubles(adapter)
    del facts["refusal"]
    return facts
