"""What `daq run`, `daq serve` and `daq demo` have in common: options of the service, and how its page is found."""

import argparse
import socket
from io import StringIO
from pathlib import Path

from daq.cli.arguments import add_speed
from daq.cli.screens import FinishingDisplay
from daq.config.bench import Bench
from daq.errors import InputError
from daq.runtime.clock import Clock
from daq.runtime.daemon import Surroundings
from daq.runtime.web import Page, Share

_ELSEWHERE = ("192.0.2.1", 9)
"""A documentation address (RFC 5737): asked for the way there only, nothing is sent."""


def add_service_options(parser: argparse.ArgumentParser) -> None:
    """Options of every command that serves."""
    parser.add_argument(
        "--store", metavar="FILE", help="results file; the bench's own if absent"
    )
    parser.add_argument(
        "--plain", action="store_true", help="plain lines instead of the live table"
    )
    parser.add_argument(
        "--share",
        nargs="?",
        const="",
        metavar="ADDRESS",
        help="show the page on the network too, at this address of the computer (found if absent), and print its link as a QR code",
    )
    add_speed(parser)


def surroundings(
    options: argparse.Namespace, bench: Bench, display: FinishingDisplay
) -> Surroundings:
    """What the service works in, by the options.

    Raises:
        InputError: If the computer has no address on a network.
    """
    base = Path(options.bench).resolve().parent
    return Surroundings(
        bench=bench,
        store_path=Path(options.store) if options.store else base / bench.store,
        base=base,
        clock=Clock(speed=options.speed),
        display=display,
        has_keyboard=display.has_keyboard,
        share=None if options.share is None else _share(options.share, bench, base),
        on_page=lambda page: display.say(
            links(page, options.bench, is_private=display.is_private)
        ),
    )


def links(page: Page, bench: str | Path, *, is_private: bool) -> str:
    """How the page is found; links with keys in them only where nobody else reads along."""
    lines = []
    if page.shared_url:
        lines.append(f"Shared on the network at {page.shared_url}")
    if page.shared_url and not page.is_encrypted:
        lines.append(
            "It is not encrypted: anyone on this network can see it, and it can only be read there. "
            "With a certificate in [page] of the bench it can be operated from there too."
        )
    if not is_private:
        told = f"Links with their keys: daq session {bench} links"
        return "\n".join([*lines, told])
    if page.shared_url:
        lines += [f"To follow: {page.reader_link}", qr_code(page.reader_link)]
    return "\n".join([*lines, f"To operate: {page.operator_link}"])


def qr_code(text: str) -> str:
    """A QR code made of characters, for a terminal."""
    import segno  # only where one is shown

    drawn = StringIO()
    segno.make(text, error="m").terminal(out=drawn, compact=True, border=2)
    return drawn.getvalue()


def _share(address: str, bench: Bench, base: Path) -> Share:
    page = bench.page
    return Share(
        address=address or _own_address(),
        port=page.share_port,
        certificate=base / page.certificate if page.certificate else None,
        key=base / page.key if page.key else None,
    )


def _own_address() -> str:
    """The address that this computer would use to reach others."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect(_ELSEWHERE)
            return str(asking.getsockname()[0])
        except OSError as exc:
            msg = "--share: this computer has no way to a network; give its address: --share ADDRESS"
            raise InputError(msg) from exc
