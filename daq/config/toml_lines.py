"""Where in a TOML text a key stands.

`tomllib` tells lines only of syntax errors. This reads headers and plain keys, and gives for any path the line of its
longest part that is written out; it judges nothing and never fails.
"""

import re

Path = tuple[str | int, ...]

_HEADER = re.compile(r"\s*(\[\[?)\s*([^\]]+?)\s*\]")
_NAME = r"""(?:"[^"]*"|'[^']*'|[\w-]+)"""
_KEY = re.compile(rf"\s*({_NAME}(?:\s*\.\s*{_NAME})*)\s*=")
_PART = re.compile(r""""([^"]*)"|'([^']*)'|([\w-]+)""")
_TOKEN = re.compile(r"""("{3}|'{3})|"(?:\\.|[^"\\])*"|'[^']*'|\#.*|[\[\]{}]""")
_CLOSING = {
    '"' * 3: re.compile(r'(?:\\.|[^\\])*?"{3,5}'),
    "'" * 3: re.compile(r".*?'{3,5}"),
}


def key_lines(text: str) -> dict[Path, int]:
    """Line of every table and key that is written out, counted from 1."""
    lines: dict[Path, int] = {(): 1}
    table: Path = ()
    counts: dict[Path, int] = {}
    depth, inside = 0, ""
    # Not splitlines(): TOML knows no other line ends.
    for number, line in enumerate(text.split("\n"), start=1):
        rest = line
        if depth == 0 and not inside:
            if match := _HEADER.match(line):
                table = _table_path(match[2], counts, is_array=match[1] == "[[")
                lines.setdefault(table, number)
                continue
            if match := _KEY.match(line):
                lines.setdefault((*table, *_parts(match[1])), number)
                rest = line[match.end() :]
        depth, inside = _after(rest, depth, inside)
    return lines


def line_of(lines: dict[Path, int], path: Path) -> int:
    """Line of a path, or of the longest part of it that is written out."""
    return next(lines[path[:n]] for n in range(len(path), -1, -1) if path[:n] in lines)


def _after(rest: str, depth: int, inside: str) -> tuple[int, str]:
    """Open brackets and the quotes of an open long string at a line's end; what stands in them is no key."""
    while match := (_CLOSING[inside].match(rest) if inside else _TOKEN.search(rest)):
        rest = rest[match.end() :]
        if inside:
            inside = ""
        elif match[1]:
            inside = match[1]
        elif match[0] in {"[", "{"}:
            depth += 1
        elif match[0] in {"]", "}"}:
            depth = max(depth - 1, 0)
    return depth, inside


def _parts(dotted: str) -> tuple[str, ...]:
    return tuple(
        next(filter(None, match.groups()), "") for match in _PART.finditer(dotted)
    )


def _table_path(dotted: str, counts: dict[Path, int], *, is_array: bool) -> Path:
    path: Path = ()
    parts = _parts(dotted)
    for depth, part in enumerate(parts, start=1):
        path = (*path, part)
        if is_array and depth == len(parts):
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path
