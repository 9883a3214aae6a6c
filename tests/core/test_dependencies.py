"""What the program is built on, as DEVELOPERS.md lists it: names, versions, and what those bring along.

Elsewhere newer versions may be installed, and bring along something else: they are not asked.
"""

import re
import tomllib
from collections.abc import Iterable
from importlib.metadata import PackageNotFoundError, requires, version
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]  # fmt: skip
ASKED = [
    Requirement(each)
    for each in [
        *PROJECT["dependencies"],
        *PROJECT["optional-dependencies"]["report"],
    ]
]
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def part_of_the_list(begin: str) -> str:
    _, heading, rest = DEVELOPERS.partition(begin)
    assert heading
    return rest.partition("\n\n")[0]


ANY = "any"
LISTED = dict(re.findall(r"^\| `([A-Za-z0-9._-]+)` \| (\S+) \|", part_of_the_list("| package | version | licence |"), flags=re.MULTILINE))  # fmt: skip
COMING_ALONG = dict(re.findall(r"([a-z][a-z0-9-]*) (\d+(?:\.\w+)*)", part_of_the_list("With them come "))) | {"pip": ANY}  # fmt: skip


def test_every_dependency_is_in_the_list_of_developers() -> None:
    assert [each.name for each in ASKED] == [*LISTED]


def test_every_version_of_the_list_is_one_that_the_project_asks_for() -> None:
    versions = {each.name: each.specifier.contains(LISTED[each.name]) for each in ASKED}
    assert [name for name, is_asked_for in versions.items() if not is_asked_for] == []


def required_by(name: str, extras: Iterable[str], *, is_here: bool) -> set[str]:
    """What an installed package asks for: on this machine, or on any."""
    found = set()
    for each in map(Requirement, requires(name) or ()):
        marker = each.marker
        is_wanted = marker is None or any(
            marker.evaluate({"extra": extra}) for extra in ("", *extras)
        )
        is_elsewhere = marker is not None and "extra" not in str(marker)
        if is_wanted or (is_elsewhere and not is_here):
            found.add(each.name)
    return {str(canonicalize_name(each)) for each in found}


def installed_version(name: str) -> str:
    """Empty where a package is not there: some are needed on other machines only."""
    try:
        return version(name)
    except PackageNotFoundError:
        return ""


def reached(*, is_here: bool) -> tuple[set[str], bool]:
    """All that comes with what is asked for, and whether all of it is of the listed versions: others may ask for something else."""
    extras = {str(canonicalize_name(each.name)): each.extras for each in ASKED}
    listed = {str(canonicalize_name(n)): v for n, v in (LISTED | COMING_ALONG).items()}
    todo, met, is_whole = [*extras], set[str](), True
    while todo:
        name = todo.pop()
        if name in met:
            continue
        met.add(name)
        installed = installed_version(name)
        if installed and listed.get(name) in {installed, ANY}:
            todo += required_by(name, extras.get(name, ()), is_here=is_here)
        elif name in listed:
            is_whole = False
    return met - set(extras), is_whole


def test_what_comes_along_is_in_the_list_of_developers_and_nothing_else() -> None:
    here, _ = reached(is_here=True)
    assert here - set(COMING_ALONG) == set()
    anywhere, is_whole = reached(is_here=False)
    # Of a newer version nobody knows whether it still brings along what is listed.
    assert not is_whole or set(COMING_ALONG) - anywhere == set()
