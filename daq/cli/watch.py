"""`daq watch mqtt://HOST/BENCH`: a bench followed in any terminal, from its messages alone."""

import argparse
import asyncio
import contextlib
import signal
import sys
import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import unquote, urlsplit

from daq.cli.arguments import CommandParser
from daq.cli.terminal import drawn_on
from daq.cli.watched import Watched
from daq.cli.watching_screens import JsonLines, PlainLines, Screen, listed
from daq.errors import InputError
from daq.messages import ROOT, About, Topics, parse_status
from daq.runtime.broker import Follower, Incoming, TlsSettings
from daq.runtime.clock import Clock
from daq.runtime.secrets import read_secret_file

_DRAW_EVERY_S = 0.25
_UNHEARD_S = 5.0
"""What a broker has kept of a bench comes at once; after so long there is nothing [s]."""
_LOOK_FOR_S = 1.0
"""What the broker has kept arrives within this [s]."""
_PORTS = {"mqtt": 1883, "mqtts": 8883}
_STOPPING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


@dataclass(frozen=True, slots=True)
class Address:
    """Which broker, as whom, and which bench there; an empty bench is looked for."""

    host: str
    port: int
    user: str | None
    bench: str
    is_encrypted: bool


def run(arguments: Sequence[str]) -> int:
    """Follow a bench until interrupted."""
    options = _parser().parse_args(arguments)
    address = parse_address(options.address)
    follower = _follower(address, options)
    # What a bench's name or a note holds may be more than this terminal can print.
    if hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="replace")
    return asyncio.run(_watch(follower, address, options))


def parse_address(text: str) -> Address:
    """Take mqtt://[user@]host[:port]/[bench] apart.

    Raises:
        InputError: If it is none.
    """
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError as exc:
        msg = f"{text}: no address ({exc}), expected mqtt://host:port/bench"
        raise InputError(msg) from exc
    if parts.scheme not in _PORTS or not parts.hostname or parts.query:
        msg = f"{text}: no address of a broker, expected mqtt://host/bench or mqtts://host/bench"
        raise InputError(msg)
    if parts.password is not None:
        msg = "a password in the address can be read by others on this machine, expected --password-file"
        raise InputError(msg)
    return Address(
        host=parts.hostname,
        port=port or _PORTS[parts.scheme],
        user=unquote(parts.username) if parts.username else None,
        bench=unquote(parts.path.strip("/")),
        is_encrypted=parts.scheme == "mqtts",
    )


def _follower(address: Address, options: argparse.Namespace) -> Follower:
    if options.ca_file and not address.is_encrypted:
        msg = "--ca-file is for encrypted connections, expected mqtts:// in the address"
        raise InputError(msg)
    ca_file = Path(options.ca_file) if options.ca_file else None
    return Follower(
        host=address.host,
        port=address.port,
        client_id=f"steadybench-watch-{uuid.uuid4().hex[:8]}",
        user=address.user,
        password=_password(options.password_file),
        tls=TlsSettings(ca_file) if address.is_encrypted else None,
    )


def _password(file: str | None) -> str | None:
    return None if file is None else read_secret_file(Path(file))


async def _watch(
    follower: Follower, address: Address, options: argparse.Namespace
) -> int:
    """Until a signal comes, or nobody reads any more; returns the exit code."""
    loop = asyncio.get_running_loop()
    ending: asyncio.Future[int] = loop.create_future()

    def end(code: int) -> None:
        if not ending.done():
            ending.set_result(code)

    for number in _STOPPING:
        loop.add_signal_handler(number, end, 128 + number)
    try:
        async with asyncio.TaskGroup() as tasks:
            following = tasks.create_task(_follow(follower, address, options, end))
            code = await ending
            following.cancel()
            return code
    finally:
        for number in _STOPPING:
            loop.remove_signal_handler(number)


class _Following:
    """Passes what arrives on to what is known and to the screen."""

    def __init__(self, screen: Screen, topics: Topics, clock: Clock) -> None:
        self._bench = topics.bench
        self._connected_s: float | None = None
        self._told_silence = False
        self._screen = screen
        self._clock = clock
        self._watched = Watched(topics, now_s=clock.wire_s())

    def arrived(self, message: Incoming) -> None:
        utc = self._clock.utc_text()
        topic, payload, is_kept = message.topic, message.payload, message.is_kept
        self._screen.heard(topic, payload, is_kept=is_kept, utc=utc)
        news = self._watched.take(
            topic, payload, is_kept=is_kept, now_s=self._clock.wire_s()
        )
        for text in news:
            self._screen.event(text, utc=utc)

    def connection(self, is_there: bool, text: str) -> None:  # noqa: FBT001 - as the follower calls it
        utc = self._clock.utc_text()
        self._connected_s = self._clock.wire_s() if is_there else None
        self._screen.connection(is_there=is_there, text=text, utc=utc)

    async def draw(self) -> None:
        while True:
            now_s, utc = self._clock.wire_s(), self._clock.utc_text()
            self._say_that_it_is_silent(now_s, utc)
            self._screen.draw(self._watched, now_s=now_s, utc=utc)
            await asyncio.sleep(_DRAW_EVERY_S)

    def _say_that_it_is_silent(self, now_s: float, utc: str) -> None:
        """A name that is misspelt looks like a bench that has nothing to say."""
        connected_s, is_known = self._connected_s, self._watched.is_online is not None
        if connected_s is None or is_known or self._told_silence:
            return
        if now_s - connected_s < _UNHEARD_S:
            return
        self._told_silence = True
        words = f"Nothing is known here of a bench {self._bench!r}; watching goes on in case it comes. Without a name the benches that are there are listed."
        self._screen.event(words, utc=utc)


async def _follow(
    follower: Follower,
    address: Address,
    options: argparse.Namespace,
    end: Callable[[int], None],
) -> None:
    bench = address.bench or await _only_bench(follower, address)
    topics = Topics(bench=bench)
    with _screen(options, address, topics, end) as screen:
        following = _Following(screen, topics, Clock())
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(following.draw())
            await follower.listen(
                topics.told,
                on_message=following.arrived,
                on_state=following.connection,
            )


async def _only_bench(follower: Follower, address: Address) -> str:
    """The only bench that the broker knows of.

    Raises:
        InputError: If there are several or none.
    """
    found: dict[str, bool | None] = {}
    connected = asyncio.Event()

    def arrived(message: Incoming) -> None:
        bench = message.topic.removeprefix(f"{ROOT}/").partition("/")[0]
        found.setdefault(bench, None)
        if Topics(bench=bench).about(message.topic) is About.STATUS:
            with contextlib.suppress(InputError):
                found[bench] = parse_status(message.payload)

    async with asyncio.TaskGroup() as tasks:
        filters = [f"{ROOT}/+/{about}" for about in (About.STATUS, About.DESCRIPTION)]
        looking = tasks.create_task(
            follower.listen(
                filters, on_message=arrived, on_state=lambda *_: connected.set()
            )
        )
        await connected.wait()
        await asyncio.sleep(_LOOK_FOR_S)
        looking.cancel()
    if len(found) == 1:
        return next(iter(found))
    where = f"{address.host}:{address.port}"
    if not found:
        msg = f"{where}: no bench has told this broker anything, expected one; name it in the address to wait for it"
    else:
        msg = f"{where}: several benches, {listed(list(found.items()))}; expected one of them at the end of the address"
    raise InputError(msg)


def _screen(
    options: argparse.Namespace,
    address: Address,
    topics: Topics,
    end: Callable[[int], None],
) -> Screen:
    def gone() -> None:
        end(0)

    if options.json:
        return JsonLines(sys.stdout, gone, topics)
    if options.plain or not sys.stdout.isatty():
        return PlainLines(sys.stdout, gone)
    from daq.cli.watch_table import WatchTable  # rich costs a tenth of a second

    where = f"{topics.bench} at {address.host}:{address.port}"
    return WatchTable(drawn_on(sys.stdout), gone, where)


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq watch",
        description="Follow a bench on any machine, from what it tells its broker. Needs no bench file; changes nothing.",
        epilog="A bench without a [broker] table has a broker of its own, on loopback, at the port that is printed.",
    )
    parser.add_argument(
        "address",
        metavar="ADDRESS",
        help="mqtt://[user@]host[:port]/[bench], mqtts:// where it is encrypted; without a bench the only one there is",
    )
    parser.add_argument(
        "--password-file",
        metavar="FILE",
        help="file whose first line is the user's password",
    )
    parser.add_argument(
        "--ca-file",
        metavar="FILE",
        help="certificates to trust, PEM; the system's if absent",
    )
    shape = parser.add_mutually_exclusive_group()
    shape.add_argument(
        "--plain", action="store_true", help="plain lines instead of the live table"
    )
    shape.add_argument(
        "--json", action="store_true", help="a line of JSON for each message"
    )
    return parser
