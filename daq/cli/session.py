"""`daq session BENCH …`: operates a running service on this machine, over its Unix socket."""

import argparse
import contextlib
import http.client
import json
import re
import socket
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from daq.answer_words import reading_number
from daq.cli.arguments import CommandParser
from daq.cli.files import load_bench
from daq.cli.serving import qr_code
from daq.cli.session_command import with_bench
from daq.errors import InputError, NetworkError, OperationRefusedError, Refusal
from daq.runtime.places import socket_path
from daq.wording import (
    running_state,
)

_TIMEOUT_S = 30.0
_NEGATIVE_WITH_COMMA = re.compile(r"^-(?=\d*,\d+$)", re.ASCII)
_REASONS = {"--reason": "reason", "--instead-because": "instead_because"}
"""Options whose value is a text, by their spelling."""
_REFUSED = 409
_OK = 200


def run(arguments: Sequence[str]) -> int:
    """Ask the service for something, and print what it answers."""
    options = _options([_readable(word) for word in arguments])
    bench_path = Path(options.bench)
    bench = load_bench(bench_path)
    store = (
        Path(options.store)
        if options.store
        else bench_path.resolve().parent / bench.store
    )
    path = socket_path(store)
    if path is None:
        msg = f"{store}: its folder is too deep for a Unix socket, so no service can be reached there; use the page, or a folder with a shorter path"
        raise InputError(msg)
    service = _Service(path)
    ask: Callable[[_Service, argparse.Namespace], str] = options.ask
    sys.stdout.write(ask(service, options) + "\n")
    return 0


def _options(words: list[str]) -> argparse.Namespace:
    """What was asked for; a reason at the end of the line needs no quotes."""
    parser = _parser()
    options, rest = parser.parse_known_args(words)
    begun = words[: len(words) - len(rest)]
    is_text = words[len(begun) :] == rest and not any(w.startswith("-") for w in rest)
    if is_text and begun[-2:-1] and begun[-2] in _REASONS:
        setattr(options, _REASONS[begun[-2]], " ".join([begun[-1], *rest]))
    elif rest:
        parser.error(f"unrecognized arguments: {' '.join(rest)}")
    return options


def _readable(word: str) -> str:
    """A negative number with a comma is no option, which the parser would take it for."""
    return _NEGATIVE_WITH_COMMA.sub("\N{MINUS SIGN}", word)


class _Service:
    """The running service, spoken to over its socket."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def get(self, path: str) -> Any:  # noqa: ANN401 - whatever JSON it is
        """What stands there."""
        return self._ask("GET", path, None)

    def post(self, path: str, body: Mapping[str, object]) -> str:
        """What it answers, a sentence.

        Raises:
            OperationRefusedError: If it cannot be done now.
            InputError: If it makes no sense.
        """
        answer = self._ask("POST", path, json.dumps(body))
        return str(answer["text"])

    def _ask(self, method: str, path: str, body: str | None) -> Any:  # noqa: ANN401
        connection = _OverSocket(self._path)
        try:
            headers = {"Content-Type": "application/json"} if body else {}
            connection.request(method, path, body, headers)
            reply = connection.getresponse()
            answer = json.loads(reply.read())
        except PermissionError as exc:
            msg = f"{self._path}: the service belongs to another user, run this as the one that it runs as"
            raise NetworkError(msg) from exc
        except (FileNotFoundError, ConnectionRefusedError) as exc:
            msg = f"{self._path}: no service answers there; start one with daq serve or daq run, or give --store as it was started with"
            raise NetworkError(msg) from exc
        except (OSError, http.client.HTTPException, ValueError) as exc:
            msg = f"{self._path}: no service answers there ({exc}); start one with daq serve or daq run, or give --store as it was started with"
            raise NetworkError(msg) from exc
        finally:
            connection.close()
        if reply.status == _REFUSED:
            raise OperationRefusedError(Refusal(answer["refused"]), answer["text"])
        if reply.status != _OK:
            raise InputError(str(answer["text"]))
        return answer


class _OverSocket(http.client.HTTPConnection):
    """HTTP over a Unix socket."""

    def __init__(self, path: Path) -> None:
        super().__init__("localhost", timeout=_TIMEOUT_S)
        self._path = path

    def connect(self) -> None:
        """Connect to the socket."""
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.sock.settimeout(self.timeout)
        self.sock.connect(str(self._path))


# ---- what can be asked


def _status(service: _Service, options: argparse.Namespace) -> str:
    state = service.get("/api/state")
    if options.json:
        return json.dumps(state, ensure_ascii=False, indent=1)
    how = with_bench(str(state["stage"]["sentence"]), options.bench)
    lines = [str(state["instruction"]), how]
    session, asking = state["session"], state.get("asking")
    if asking is not None:
        which = reading_number(asking["number"], asking["least"])
        lines.append(f"Asked for: channel {asking['channel']}, {which}.")
    lines += _typed_lines(state["typed_readings"])
    if session is not None:
        done = f"{session['done']} of {session['total']} trials done"
        lines.append(
            f"Session {session['number']} of plan {state['plan']}, {session['state']}: {done}."
        )
    lines += _slip_lines(state["slip"], state["trial"])
    lines += [
        f"{meter['name']}: {meter['state']}, {meter['text']}"
        for meter in state["instruments"]
        if meter["state"] != "ok"
    ]
    lines.append(
        f"Page {service.get('/api/links')['operate'].partition('#')[0]}   Broker: {state['broker']['text']}"
    )
    lines += [f"Alarm: {alarm['text']}" for alarm in state["alarms"]]
    return "\n".join(lines)


def _slip_lines(
    slip: Sequence[Mapping[str, Any]], in_hand: Mapping[str, Any] | None
) -> Iterator[str]:
    """The order with its numbers; repeats are told as on the page, where there are some."""
    is_repeated = any(line["repeat"] > 1 for line in slip)
    for number, line in enumerate(slip, start=1):
        repeat = f", repeat {line['repeat']}" if is_repeated else ""
        trial = "" if line["trial"] is None else f", trial {line['trial']}"
        note = f" ({line['note']})" if line["note"] else ""
        told = f"{line['condition']}{repeat}, {_line_state(line, in_hand)}"
        yield f"  line {number}: {told}{trial}{note}"
    positions = [line["position"] for line in slip]
    if positions != sorted(positions):
        yield "  Lines were added or moved in this session: the numbers above hold, ones noted earlier may not."


def _line_state(line: Mapping[str, Any], trial: Mapping[str, Any] | None) -> str:
    """As on the page."""
    if line["state"] != "running" or trial is None:
        return str(line["state"])
    return running_state(
        is_averaging=trial["window_s"] is not None, is_confirmed=trial["confirmed"]
    )


def _typed_lines(typed: Sequence[Mapping[str, Any]]) -> list[str]:
    """What was typed in the trial in hand, a line a channel."""
    by_channel: dict[str, list[str]] = {}
    for line in typed:
        shown = f"{line['value']:.{line['decimals']}f}"
        by_channel.setdefault(line["channel"], []).append(shown)
    return [
        f"Typed in this trial: channel {channel}, {', '.join(shown)}."
        for channel, shown in by_channel.items()
    ]


def _plans(service: _Service, _options: argparse.Namespace) -> str:
    lines = []
    for plan in service.get("/api/plans")["plans"]:
        unfinished = plan["unfinished"]
        words = f"{plan['machine']}, {plan['trials']} trials"
        if plan["fault"] is not None:
            words = f"cannot be used: {plan['fault']}"
        elif unfinished is not None:
            words += f"; session {unfinished['session']} is unfinished, {unfinished['done']} of {unfinished['total']} done"
        lines.append(f"{plan['name']}: {words}")
    return "\n".join(lines) or "No plan lies beside the bench file."


def _links(service: _Service, options: argparse.Namespace) -> str:
    found = service.get("/api/links")
    lines = [f"To operate: {found['operate']}", f"To follow: {found['read']}"]
    if options.qr:
        lines.append(qr_code(found["read"]))
    return "\n".join(lines)


def _start(service: _Service, options: argparse.Namespace) -> str:
    same = {"machine": True, "meters": True, "room": True} if options.same else None
    body = {"plan": options.plan, "new": options.new, "same": same}
    try:
        return service.post("/api/session/start", body)
    except OperationRefusedError as exc:
        if exc.code is Refusal.ANOTHER_DAY:
            text = f"{exc}; say --same if they are, --new to begin anew"
            raise OperationRefusedError(exc.code, text) from exc
        raise


def _plainly(operation: str) -> Callable[[_Service, argparse.Namespace], str]:
    """An operation that needs no more than its name."""
    return lambda service, _options: service.post(f"/api/session/{operation}", {})


def _skip(service: _Service, options: argparse.Namespace) -> str:
    return service.post("/api/session/skip", {"reason": options.reason})


def _repeat(service: _Service, options: argparse.Namespace) -> str:
    if options.instead_because is not None and not options.instead_because.strip():
        msg = "--instead-because: is empty, expected why the trial shall not count"
        raise InputError(msg)
    before = service.get("/api/state")["slip"]
    body = {
        "position": _position_of(before, options.line),
        "instead_because": options.instead_because or "",
    }
    answer = service.post("/api/session/repeat", body)
    return f"{answer}{_moved_lines(service, before)}"


def _moved_lines(service: _Service, before: Sequence[Mapping[str, Any]]) -> str:
    """That lines have other numbers than before; empty where none has."""
    now = [line["position"] for line in service.get("/api/state")["slip"]]
    known = [line["position"] for line in before]
    moved = [at for at in known if at in now and now.index(at) != known.index(at)]
    if not moved:
        return ""
    first = min(known.index(at) for at in moved) + 1
    return f" From line {first} on the lines have other numbers now; see status."


def _position_of(slip: Sequence[Mapping[str, Any]], number: int) -> int:
    """The line that stands there on the slip, as the status counts."""
    if not 1 <= number <= len(slip):
        expected = f"1 to {len(slip)}" if slip else "a session first"
        msg = f"line {number}: is not on the slip, expected {expected}"
        raise InputError(msg)
    return int(slip[number - 1]["position"])


def _relabel(service: _Service, options: argparse.Namespace) -> str:
    body = {
        "trial": options.trial,
        "condition": options.condition,
        "reason": options.reason,
    }
    before = service.get("/api/state")["slip"]
    answer = service.post("/api/session/relabel", body)
    return f"{answer}{_moved_lines(service, before)}"


def _note(service: _Service, options: argparse.Namespace) -> str:
    return service.post("/api/session/note", {"text": " ".join(options.text)})


def _reading(service: _Service, options: argparse.Namespace) -> str:
    body = {
        "channel": options.channel,
        "text": options.value,
        "as_typed": options.as_typed,
    }
    try:
        return service.post("/api/session/reading", body)
    except OperationRefusedError as exc:
        if exc.code is Refusal.DOUBTED:
            text = f"{exc} Say --as-typed if it is"
            raise OperationRefusedError(exc.code, text) from exc
        raise


def _cannot_read(service: _Service, options: argparse.Namespace) -> str:
    return service.post("/api/session/cannot-read", {"channel": options.channel})


def _take_back(service: _Service, options: argparse.Namespace) -> str:
    at_s = None
    if options.value is not None:
        at_s = _typed_at_s(service, options.channel, options.value)
    body = {"channel": options.channel, "at_s": at_s}
    return service.post("/api/session/take-back", body)


def _typed_at_s(service: _Service, channel: str, text: str) -> float:
    """When the newest reading of that value was typed.

    Raises:
        InputError: If none was in the trial in hand.
    """
    typed = service.get("/api/state")["typed_readings"]
    of_channel = [line for line in typed if line["channel"] == channel]
    plain = text.replace("\N{MINUS SIGN}", "-").replace(",", ".")
    with contextlib.suppress(ValueError):
        for line in reversed(of_channel):
            if line["value"] == float(plain):
                return float(line["at_s"])
    there = ", ".join(f"{line['value']:.{line['decimals']}f}" for line in of_channel)
    expected = f"one of {there}" if there else "one that was typed in the trial in hand"
    msg = f"{channel}: no reading {text!r} to take back, expected {expected}"
    raise InputError(msg)


def _renew(service: _Service, options: argparse.Namespace) -> str:
    return service.post("/api/access/renew", {"role": options.role})


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq session",
        description="Operate a running service (daq serve, daq run) on this machine.",
    )
    parser.add_argument("bench", metavar="BENCH", help="bench file of the service")
    parser.add_argument(
        "--store", metavar="FILE", help="results file, where the service was given one"
    )
    asked = parser.add_subparsers(required=True, metavar="WHAT")

    def add(
        name: str, text: str, ask: Callable[[_Service, argparse.Namespace], str]
    ) -> argparse.ArgumentParser:
        what = asked.add_parser(name, help=text, description=text)
        what.set_defaults(ask=ask)
        return what

    status = add("status", "what is going on, with the numbers of lines and trials", _status)  # fmt: skip
    status.add_argument("--json", action="store_true", help="as JSON")
    add("plans", "plans that a session can be started with", _plans)
    _add_start(add("start", "begin a session, or take up the unfinished one", _start))
    add("pause", "begin no further trial until told to go on", _plainly("pause"))
    add("go-on", "end the pause", _plainly("go-on"))
    add("skip", "leave out the line that is called for", _skip).add_argument(
        "--reason", default="", help="kept with the session"
    )
    repeat = add("repeat", "call once more for a line's condition", _repeat)
    repeat.add_argument("line", type=int, help="number of the line; see status")
    repeat.add_argument(
        "--instead-because",
        metavar="REASON",
        help="set the line's newest trial aside; both count without it",
    )
    relabel = add("relabel", "a trial was made under another condition", _relabel)
    relabel.add_argument("trial", type=int, help="number of the trial; see status")
    relabel.add_argument("condition", help="what was fitted")
    relabel.add_argument("--reason", required=True, help="kept with the trial")
    add("note", "keep a note with the session", _note).add_argument("text", nargs="+")
    _add_reading(add("reading", "a reading that the operator is asked for; see status", _reading))  # fmt: skip
    cannot_read = add("cannot-read", "it cannot be read now; it is asked for again", _cannot_read)  # fmt: skip
    cannot_read.add_argument("channel", help="its name; see status")
    _add_take_back(add("take-back", "a typed reading of the trial in hand was wrong; it counts no more", _take_back))  # fmt: skip
    add("acknowledge", "the machine may run on", _plainly("acknowledge"))
    add("switched", "the machine was just switched by hand", _plainly("switched"))
    add("stop", "leave the session as it stands; it can be taken up again", _plainly("stop"))  # fmt: skip
    links = add("links", "links to the page, with their keys", _links)
    links.add_argument("--qr", action="store_true", help="and a QR code to follow")
    renew = add("renew", "make every link and login of a role void", _renew)
    renew.add_argument("role", choices=["reader", "operator"])
    return parser


def _add_reading(reading: argparse.ArgumentParser) -> None:
    reading.add_argument("channel", help="its name; see status")
    reading.add_argument("value", help="as the display shows it, without its unit")
    reading.add_argument(
        "--as-typed",
        action="store_true",
        help="the display shows just that, however unlikely it looks",
    )


def _add_take_back(take_back: argparse.ArgumentParser) -> None:
    take_back.add_argument("channel", help="its name; see status")
    take_back.add_argument(
        "value",
        nargs="?",
        help="what was typed; the newest reading of the channel if absent",
    )


def _add_start(start: argparse.ArgumentParser) -> None:
    start.add_argument("plan", help="its name; see plans")
    start.add_argument(
        "--new", action="store_true", help="even where a session is unfinished"
    )
    start.add_argument(
        "--same",
        action="store_true",
        help="on another day: machine, meters with their ranges and room are the same",
    )
