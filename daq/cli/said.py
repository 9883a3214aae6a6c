"""What a command says, line by line; at a terminal a sentence goes on in the next line between two words.

Only there, for a program that reads along finds its lines by their ends. A command to be typed is kept whole, however
long it is: copied over two lines it would run as two.
"""

import os
import re
import sys
import textwrap
from typing import TextIO

_COMMAND = re.compile(r" +(daq|cp|--[a-z]+) ")
_LEAST_WIDTH = 20
_NO_BREAK = "\ufdd0"
"""No character of any text (Unicode 23.7, for use within a program): a no-break space may be part of a file's name."""


def say(*lines: str) -> None:
    """Write lines on standard output, at once."""
    sys.stdout.writelines(f"{fitted(line, sys.stdout)}\n" for line in lines)
    sys.stdout.flush()


def kept_whole(words: str) -> str:
    """A command within a sentence, which `fitted` does not part."""
    return words.replace(" ", _NO_BREAK)


def fitted(text: str, stream: TextIO) -> str:
    """A text as it goes to this stream: to a terminal in lines that break between words, as far in as they began.

    Args:
        text: Lines; one that is an indented command stays as it is.
        stream: Where it is to be written.
    """
    width = _width_of(stream)
    lines = text.split("\n") if width else [text]
    whole = "\n".join(_wrapped(line, width) if width else line for line in lines)
    return whole.replace(_NO_BREAK, " ")


def _wrapped(line: str, width: int) -> str:
    if len(line) <= width or _COMMAND.match(line):
        return line
    bare = line.strip(" ")
    indent = " " * (len(line) - len(line.lstrip(" ")))
    # An answer is typed right behind the blank that ends a question.
    end = line[len(line.rstrip(" ")) :]
    wrapped = textwrap.wrap(
        bare,
        max(_LEAST_WIDTH // 2, width - len(end)),
        initial_indent=indent,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return "\n".join(wrapped) + end


def _width_of(stream: TextIO) -> int:
    """Characters in a line of the terminal; 0 where it is none, or does not tell."""
    try:
        width = os.get_terminal_size(stream.fileno()).columns
    except (AttributeError, OSError, ValueError):
        return 0
    return width if width >= _LEAST_WIDTH else 0
