"""The command line: one module a command, imported only when that command is asked for.

`daq --help` must answer at once, so this file imports nothing heavy: the commands' one-line descriptions stand here.
"""

import importlib
import sys
from collections.abc import Sequence
from typing import NoReturn

_COMMANDS = {
    "demo": "a whole session on simulated meters, usually in about two minutes",
    "ports": "every serial adapter: the path that stays, who holds it, which is which",
    "new": "a first bench and plan with comments, by a few questions",
    "listen": "how a meter talks: listens, then asks what changes nothing",
    "registers": "which Modbus registers hold what a meter's display shows",
    "check": "read a bench file, talk to its meters, say what is wrong",
    "run": "carry out a plan hands-off: live table, page and MQTT",
    "serve": "poll and publish for as long as it runs; sessions come and go",
    "session": "operate a running service: start, pause, skip, repeat, relabel, note, stop",
    "watch": "the live table on any computer, from the broker alone",
    "import": "a meter's own log into a session, or a whole session from logs alone",
    "compare": "what each condition costs against the baseline, and whether that is real",
    "predict": "what another lead would do, from a stored session",
    "plan": "what a plan would show: repeats, length, smallest difference",
    "report": "one page to hand on: the answer, drawings, and how it was measured",
    "export": "averages, readings and the list of sessions as CSV, JSON or a workbook",
    "budget": "what the uncertainty of each average is made of",
    "settle": "the settling rule on any CSV file, or on standard input",
    "lead": "what a supply lead costs in volts and watts",
    "reanalyse": "stored trials judged again, by the same rule or by another",
    "backup": "a checked copy of a results file, also while a service writes it",
    "salvage": "what can be read of a damaged results file, to a new file",
    "schema": "JSON Schema of a bench, plan or profile file, or of the result message",
}
_MODULES = {"import": "import_"}
"""Where a command cannot lend its name to its module."""
_USAGE = """usage: daq [--version] [--debug] COMMAND ...

Reads bench meters over serial lines, waits until a machine has settled, and averages with an uncertainty.

commands:
{commands}

`daq COMMAND --help` tells more. Exit codes: 0 done; 1 done, but something is not settled, unfinished or broke a limit;
2 bad input; 3 an instrument; 4 the store; 5 the network; 70 our own fault; 130, 143 stopped by a signal.
"""


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run one command and end the process with its exit code."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    debug = "--debug" in words
    words = [word for word in words if word != "--debug"]
    try:
        code = _run(words, debug=debug)
    except KeyboardInterrupt:
        # Most of a short command's time goes into imports, before guarded() watches.
        code = 130
    sys.exit(code)


def _run(words: list[str], *, debug: bool) -> int:
    if not words or words[0] in {"-h", "--help"}:
        listed = "\n".join(f"  {name:<9} {text}" for name, text in _COMMANDS.items())
        sys.stdout.write(_USAGE.format(commands=listed))
        return 0 if words else 2
    if words[0] == "--version":
        from daq import __version__  # kept off the path of --help

        sys.stdout.write(f"steadybench {__version__}\n")
        return 0
    if words[0] not in _COMMANDS:
        sys.stderr.write(
            f"daq: unknown command {words[0]!r}{_guess(words[0])}, expected {', '.join(_COMMANDS)}\n"
        )
        return 2
    from daq.cli.guarded import guarded  # likewise

    module = _MODULES.get(words[0], words[0])
    command = importlib.import_module(f"daq.cli.{module}")
    return guarded(command.run, words[1:], debug=debug)


def _guess(word: str) -> str:
    import difflib  # likewise

    close = difflib.get_close_matches(word, _COMMANDS, n=1)
    return f", did you mean {close[0]!r}?" if close else ""
