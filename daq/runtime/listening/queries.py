"""Finds a text that is answered with one line of text, time after time."""

from collections.abc import Sequence
from dataclasses import dataclass

from daq.framing import text_from_line
from daq.recognising.framings import Framing
from daq.runtime.clock import Clock
from daq.runtime.listening.line import Line, open_line


@dataclass(frozen=True, slots=True)
class QueryFound:
    """A text that was answered with plain text, time after time.

    Attributes:
        framing: Where.
        query: Without its line end.
        ending: Its line end.
        replies: Lines that came, the query itself left out where it came back.
        terminator: Byte that ends a reply.
        echo: Whether the query came back first.
    """

    framing: Framing
    query: str
    ending: str
    replies: tuple[str, ...]
    terminator: bytes
    echo: bool


async def find_queries(
    url: str,
    framings: Sequence[Framing],
    queries: Sequence[str],
    endings: Sequence[str],
    *,
    clock: Clock,
    wait_s: float,
) -> list[QueryFound]:
    """The queries that are answered, at the first setting at which any is."""
    for ending in endings:
        for framing in framings:
            async with open_line(url, framing, clock) as line:
                asked = [await _asked(line, query, ending, wait_s) for query in queries]
                found = [each for each in asked if each is not None]
                if found:
                    return found
    return []


async def _asked(
    line: Line, query: str, ending: str, wait_s: float
) -> QueryFound | None:
    """The query, answered three times in the same manner; None otherwise."""
    replies: list[str] = []
    echoes, terminators = set(), set()
    for _ in range(3):
        data = await line.ask(
            f"{query}{ending}".encode("ascii"), wait_s=wait_s, is_whole=_never
        )
        reply = _one_line(data, query)
        if reply is None:
            return None
        text, terminator, echo = reply
        replies.append(text)
        echoes.add(echo)
        terminators.add(terminator)
    if len(echoes) > 1 or len(terminators) > 1:
        return None
    return QueryFound(
        line.framing,
        query,
        ending,
        tuple(replies),
        terminators.pop(),
        echoes.pop(),
    )


def _never(_data: bytes) -> bool:
    """A second line may follow the first, so the whole time is waited for."""
    return False


def _one_line(data: bytes, query: str) -> tuple[str, bytes, bool] | None:
    """Text, terminator and whether the query came back first; None unless one line of text came."""
    terminator = b"\n" if b"\n" in data else b"\r"
    if not data.endswith(terminator):
        return None
    lines = [text_from_line(line) for line in data.split(terminator)]
    texts = [text for text in lines if text != ""]
    echo = len(texts) > 1 and texts[0] == query
    if echo:
        texts.pop(0)
    if len(texts) != 1 or texts[0] is None:
        return None
    return texts[0], terminator, echo
