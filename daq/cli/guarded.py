"""Errors become one line and an exit code."""

import logging
import os
import sys
import traceback
from collections.abc import Callable, Sequence

from daq.cli.terminal import plain_terminals
from daq.errors import DaqError
from daq.printable import printable


def guarded(
    command: Callable[[Sequence[str]], int], arguments: Sequence[str], *, debug: bool
) -> int:
    """Run a command; whatever it raises is told in one line (with a traceback under --debug)."""
    with plain_terminals():
        return _guarded(command, arguments, debug=debug)


def _guarded(
    command: Callable[[Sequence[str]], int], arguments: Sequence[str], *, debug: bool
) -> int:
    logging.basicConfig(
        level=logging.DEBUG if debug else logging.WARNING,
        format="%(levelname)s %(name)s: %(message)s",
    )
    try:
        code = command(arguments)
        sys.stdout.flush()
        return code
    except BrokenPipeError:
        # Whoever read our output has seen enough; nothing more may be written at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 130
    except Exception as exc:  # noqa: BLE001  # the last place that can tell the user
        known = known_error(exc)
        text = f"our own fault: {exc!r}; --debug shows where"
        if known:
            text = "\n".join([str(known), *getattr(known, "__notes__", ())])
        return _told(text, known.exit_code if known else 70, debug=debug)


def known_error(exc: Exception) -> DaqError | None:
    """The error that the user can understand, also out of a group of tasks that ended together."""
    if isinstance(exc, DaqError):
        return exc
    if not isinstance(exc, ExceptionGroup):
        return None
    leaves = [known_error(each) for each in exc.exceptions]
    return leaves[0] if all(leaves) else None


def _told(text: str, code: int, *, debug: bool) -> int:
    if debug:
        traceback.print_exc()
    lines = printable(text).splitlines()
    sys.stderr.write("".join(f"daq: {line}\n" for line in lines))
    return code
