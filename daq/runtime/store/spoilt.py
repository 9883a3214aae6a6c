"""Records that are stored as JSON or TOML text, and what is said where none can be made of the text any more."""

import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from daq.errors import StoreDamagedError


class RecordSpoiltError(StoreDamagedError):
    """A record of the file is lost, though SQLite finds the file in order; the rest of it can be used."""

    def __init__(self, text: str, *, path: Path | None = None) -> None:
        super().__init__(text if path is None else f"{path}: {text}")
        self._text = text

    def of_file(self, path: Path) -> "RecordSpoiltError":
        """The same, with the name of the file."""
        return RecordSpoiltError(self._text, path=path)


def record_spoilt(what: str, why: str) -> RecordSpoiltError:
    """Say of a record that it is lost, and what can be done without it."""
    return RecordSpoiltError(
        f"the record of {what} cannot be read ({why}): only `daq export` of averages and readings is possible"
    )


@contextmanager
def reading_record(what: str) -> Iterator[None]:
    """Make a record of a stored text, which was in order when it was written: what fails now was spoilt since.

    Args:
        what: Whose record it is.

    Raises:
        RecordSpoiltError: If none can be made of it.
    """
    try:
        yield
    except KeyError as exc:
        raise record_spoilt(what, f"{exc.args[0]!r} is missing") from exc
    except ValueError as exc:
        raise record_spoilt(what, str(exc)) from exc
    except (TypeError, AttributeError) as exc:
        raise record_spoilt(what, "it holds what was never written there") from exc


def expect_session_texts(session: int, *, plan_text: str, bench_text: str = "") -> None:
    """Expect the plan and the bench that a session was carried out with; both are TOML.

    Raises:
        RecordSpoiltError: If one is lost or spoilt.
    """
    what = f"session {session}"
    if not plan_text.strip():
        raise record_spoilt(what, "its plan is lost")
    for name, text in (("plan", plan_text), ("bench", bench_text)):
        try:
            tomllib.loads(text)
        except tomllib.TOMLDecodeError as exc:
            raise record_spoilt(what, f"its {name} is spoilt: {exc}") from exc
