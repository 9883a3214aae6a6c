"""Which tests run a line, and whether they notice that it was changed; every run is a process of its own that is gone afterwards.

The first process collects the tests and traces each. The next one collects them again and forks for each mutant: the changed
function's code is put in place of the old and the tests are run. What stands outside functions, and what no test notices so,
is tried by a process that imports the changed module anew. Needs Linux. Tests that start a Python of their own see nothing
of a change.
"""

import ast
import ctypes
import functools
import gc
import importlib.abc
import importlib.machinery
import json
import os
import resource
import select
import shutil
import signal
import sys
import tempfile
import threading
import time
import traceback
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from types import CodeType, FrameType, FunctionType
from typing import Any

import pytest

from tests.campaigns.mutants_operators import Mutant, mutated

MARKED = "not slow and not pty and not alone"
_ARGUMENTS = ("-s", "-p", "no:terminal", "-p", "no:xdist", "-p", "no:cacheprovider", "--hypothesis-seed=0")  # fmt: skip
_MEMORY_BYTES = 4 << 30
_FILE_BYTES = 1 << 28
_LOG = "log.txt"
_WAITED_S = 10.0
_SAID = 500
_DIE_WITH_PARENT = 1
"""PR_SET_PDEATHSIG of prctl(2)."""
_TRACED_S = 3600.0


_Key = tuple[str, str, int]
"""File, qualified name and first line of a function."""


class OutOfTimeError(Exception):
    """The process had not ended in its time."""


class DiedError(Exception):
    """The process ended without a result."""


class Status(StrEnum):
    """What became of a mutant."""

    KILLED = "killed"
    HUNG = "out of time"
    DIED = "died"
    SURVIVED = "survived"
    NOT_PLACED = "not placed"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a mutant, and the test that killed it."""

    status: Status
    by: str = ""

    @property
    def is_killed(self) -> bool:
        """A test failed, or the process hung or died of the change."""
        return self.status in {Status.KILLED, Status.HUNG, Status.DIED}


@dataclass(frozen=True, slots=True)
class Tests:
    """The tests that pass unchanged: what each takes, and which lines it runs. Parameters of one test function count as one test."""

    cost_s: dict[str, float]
    lines: dict[str, dict[int, set[str]]]
    collected_s: float
    failing: tuple[str, ...]
    most_s: float
    """So much of that is run of them for one mutant."""

    def touching(self, mutant: Mutant) -> set[str]:
        """Those that run the changed statement."""
        first, last = mutant.statement
        of_file = self.lines.get(mutant.path, {})
        return set().union(*(of_file.get(n, ()) for n in range(first, last + 1)))

    def using(self, mutant: Mutant) -> set[str]:
        """Those that run anything of the module; all, where its lines run at import only."""
        return set().union(*self.lines.get(mutant.path, {}).values()) or {*self.cost_s}

    def picked(self, mutant: Mutant, *, all_using: bool) -> list[str]:
        """The tests to run, the likeliest and the quickest first, as many as the time allows."""
        touching = self.touching(mutant)
        stem = Path(mutant.path).stem.lstrip("_")
        ordered = sorted(
            touching | self.using(mutant) if all_using else touching,
            key=lambda n: (n not in touching, stem not in n, self.cost_s[n], n),
        )
        picked: list[str] = []
        rest_s = self.most_s
        for name in ordered:
            if rest_s >= self.cost_s[name] or not picked:
                rest_s -= self.cost_s[name]
                picked.append(name)
        return picked

    def limit_s(self, names: Sequence[str]) -> float:
        """After so long they hang: traced they take twice as long and more as they take here [s]."""
        return self.waited_s + 2.0 * sum(self.cost_s[name] for name in names)

    @property
    def waited_s(self) -> float:
        """So long nobody is taken to hang [s]."""
        return min(_WAITED_S, self.most_s)


def forked(work: Callable[[], Any], most_s: float, *, is_heard: bool = False) -> Any:
    """What the work returned in a process of its own; the process, and what it started in its group, is gone afterwards."""
    with tempfile.TemporaryDirectory() as place:
        told = Path(place, "told.json")
        pid = os.fork()
        if pid == 0:
            _work(work, told, is_heard=is_heard)
        try:
            has_ended = _has_ended(pid, most_s)
        finally:
            _end(pid)
        if not has_ended:
            raise OutOfTimeError
        if not told.exists():
            log = told.with_name(_LOG)
            said = log.read_text(errors="replace") if log.exists() else ""
            raise DiedError(said[-_SAID:])
        return json.loads(told.read_text())


def _work(work: Callable[[], Any], told: Path, *, is_heard: bool) -> None:
    try:
        os.setsid()
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        ctypes.CDLL(None).prctl(_DIE_WITH_PARENT, signal.SIGKILL)
        resource.setrlimit(resource.RLIMIT_AS, (_MEMORY_BYTES, _MEMORY_BYTES))
        resource.setrlimit(resource.RLIMIT_FSIZE, (_FILE_BYTES, _FILE_BYTES))
        if not is_heard:
            log = os.open(told.with_name(_LOG), os.O_WRONLY | os.O_CREAT)
            os.dup2(log, 1)
            os.dup2(log, 2)
        result = json.dumps(work())
        told.write_text(result)
    except BaseException:  # noqa: BLE001 - whatever a mutant raises, nothing of the parent's stack may run here
        traceback.print_exc()
    finally:
        os._exit(0)


def _has_ended(pid: int, most_s: float) -> bool:
    ended = os.pidfd_open(pid)
    try:
        return bool(select.select([ended], [], [], most_s)[0])
    finally:
        os.close(ended)


def _end(pid: int) -> None:
    """Before it is waited for: until then its number belongs to nobody else."""
    for kill in (os.kill, os.killpg):
        with suppress(ProcessLookupError, PermissionError):
            kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)


def traced(
    root: Path, paths: Sequence[str], chosen: Sequence[str], *, most_s: float
) -> Tests:
    """Run the chosen test files once, and note which test runs which line of these files."""
    told = forked(functools.partial(_trace, root, paths, chosen), _TRACED_S)
    failing = set(told["failing"])
    lines: dict[str, dict[int, set[str]]] = defaultdict(lambda: defaultdict(set))
    for name, ran in told["ran"].items():
        for path, number in () if name in failing else ran:
            lines[path][number].add(name)
    costs = {n: cost_s for n, cost_s in told["cost_s"].items() if n not in failing}
    return Tests(costs, lines, told["collected_s"], tuple(sorted(failing)), most_s)


def _trace(root: Path, paths: Sequence[str], chosen: Sequence[str]) -> dict[str, Any]:
    tracing = _Tracing(root, paths)
    began_s = time.perf_counter()
    code = pytest.main([*_ARGUMENTS, "-m", MARKED, *chosen], plugins=[tracing])
    if code not in {pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED}:
        raise DiedError(f"{code!r} {tracing.trouble}"[-_SAID:])
    return {
        "ran": {name: sorted(ran) for name, ran in tracing.ran.items()},
        "cost_s": tracing.cost_s,
        "collected_s": (tracing.collected_at_s or began_s) - began_s,
        "failing": sorted(tracing.failing),
    }


def _name(nodeid: str) -> str:
    """The test function: not every set of parameters has a name that pytest takes back."""
    return nodeid.split("[")[0]


class _Tracing:
    """Notes the lines that each test runs."""

    def __init__(self, root: Path, paths: Sequence[str]) -> None:
        self.ran: dict[str, set[tuple[str, int]]] = defaultdict(set)
        self.cost_s: dict[str, float] = defaultdict(float)
        self.failing: set[str] = set()
        self.collected_at_s: float | None = None
        self.trouble = ""
        self._paths = {str(root / path): path for path in paths}
        self._of_test: set[tuple[str, int]] = set()

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed:
            self.trouble = f"{report.nodeid}: {report.longrepr}"

    def pytest_collection_finish(self) -> None:
        self.collected_at_s = time.perf_counter()

    @pytest.hookimpl(hookwrapper=True, tryfirst=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        name = _name(item.nodeid)
        self._of_test = self.ran[name]
        began_s = time.perf_counter()
        threading.settrace(self._called)
        sys.settrace(self._called)
        yield
        sys.settrace(None)
        threading.settrace(None)
        self.cost_s[name] += time.perf_counter() - began_s

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failing.add(_name(report.nodeid))

    def _called(self, frame: FrameType, event: str, argument: object) -> Any:  # noqa: ARG002 - as sys.settrace calls it
        path = self._paths.get(frame.f_code.co_filename)
        if path is None:
            return None
        add = self._of_test.add
        add((path, frame.f_lineno))

        def on_line(frame: FrameType, event: str, argument: object) -> Any:  # noqa: ARG001 - as sys.settrace calls it
            add((path, frame.f_lineno))
            return on_line

        return on_line


class _First:
    """Keeps the first failure."""

    def __init__(self) -> None:
        self.failed = ""

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed and not self.failed:
            self.failed = report.nodeid

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed and not self.failed:
            self.failed = f"importing {report.nodeid}"


def _outcome(work: Callable[[], dict[str, str]], most_s: float) -> Outcome:
    # What one mutant had hypothesis find must not be tried first on the next.
    shutil.rmtree(os.environ["HYPOTHESIS_STORAGE_DIRECTORY"], ignore_errors=True)
    try:
        told = forked(work, most_s)
    except OutOfTimeError:
        return Outcome(Status.HUNG)
    except DiedError:
        return Outcome(Status.DIED)
    return Outcome(Status(told["status"]), told["by"])


def try_in_place(
    root: Path,
    picks: Sequence[tuple[Mutant, list[str]]],
    tests: Tests,
    *,
    say: Callable[[Mutant, Outcome], None],
) -> list[Outcome]:
    """Collect once and fork for each mutant; what a mutant is tried by stands beside it."""
    chosen = sorted({name.split("::")[0] for _, names in picks for name in names})
    placing = _InPlace(root, picks, tests, say)

    def work() -> list[tuple[str, str]]:
        pytest.main([*_ARGUMENTS, "-m", MARKED, *chosen], plugins=[placing])
        return [(str(each.status), each.by) for each in placing.outcomes]

    most_s = _TRACED_S + sum(tests.limit_s(names) for _, names in picks)
    told = forked(work, most_s, is_heard=True) if picks else []
    if len(told) != len(picks):
        msg = f"tried {len(told)} of {len(picks)} in place"
        raise DiedError(msg)
    return [Outcome(Status(status), by) for status, by in told]


class _InPlace(_First):
    """Runs, instead of all tests, those picked for each mutant, each time in a fork."""

    def __init__(
        self,
        root: Path,
        picks: Sequence[tuple[Mutant, list[str]]],
        tests: Tests,
        say: Callable[[Mutant, Outcome], None],
    ) -> None:
        super().__init__()
        self.outcomes: list[Outcome] = []
        self._root = root
        self._picks = picks
        self._tests = tests
        self._say = say

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        items: dict[str, list[pytest.Item]] = defaultdict(list)
        for item in session.items:
            items[_name(item.nodeid)].append(item)
        _, names = self._picks[0]
        unchanged = self._tried(None, names, items)
        if unchanged.status is not Status.SURVIVED:
            raise DiedError(_unchanged(unchanged))
        for mutant, names in self._picks:
            outcome = self._tried(mutant, names, items)
            self.outcomes.append(outcome)
            self._say(mutant, outcome)
        return True

    def _tried(
        self, mutant: Mutant | None, names: Sequence[str], items: dict[str, list[Any]]
    ) -> Outcome:
        mine = [item for name in names for item in items[name]]
        # Made here: an exception of ours in the fork would count as one of the change.
        changed = changed_functions(self._root, mutant) if mutant else {}

        def work() -> dict[str, str]:
            if changed and not put_in_place(changed):
                return {"status": Status.NOT_PLACED, "by": ""}
            for item, following in zip(mine, [*mine[1:], None], strict=True):
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
                if self.failed:
                    return {"status": Status.KILLED, "by": self.failed}
            return {"status": Status.SURVIVED, "by": ""}

        return _outcome(work, self._tests.limit_s(names))


def _unchanged(outcome: Outcome) -> str:
    return f"unchanged, the tests do not pass: {outcome.status} {outcome.by}"


def changed_functions(root: Path, mutant: Mutant) -> dict[_Key, CodeType]:
    """The code of each function that the change makes another, by where the old one stands."""
    path = root / mutant.path
    source = path.read_text()
    old = _functions(_compiled(ast.parse(source), path))
    new = _functions(_compiled(mutated(source, mutant), path))
    return {key: code for key, code in new.items() if code != old.get(key)}


def put_in_place(changed: Mapping[_Key, CodeType]) -> bool:
    """Put the changed code into every function that was made from the old; False where there is none."""
    has_put = False
    for each in gc.get_objects():
        if isinstance(each, FunctionType):
            code = changed.get(_key(each.__code__))
            if code and code.co_freevars == each.__code__.co_freevars:
                each.__code__ = code
                has_put = True
        elif isinstance(each, functools._lru_cache_wrapper):
            each.cache_clear()
    return has_put


def _compiled(tree: ast.Module, path: Path) -> CodeType:
    return compile(tree, path, "exec", dont_inherit=True)


def _key(code: CodeType) -> _Key:
    return code.co_filename, code.co_qualname, code.co_firstlineno


def _functions(code: CodeType) -> dict[_Key, CodeType]:
    found: dict[_Key, CodeType] = {}
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            found |= {_key(constant): constant, **_functions(constant)}
    return found


def try_anew(root: Path, mutant: Mutant, names: Sequence[str], tests: Tests) -> Outcome:
    """Run these tests in a process that imports the changed module for the first time."""
    tree = mutated((root / mutant.path).read_text(), mutant)
    return _tried_anew(_Changed(root, mutant.path, tree), names, tests)


def check_anew(root: Path, path: str, names: Sequence[str], tests: Tests) -> None:
    """Raise where the tests do not pass unchanged: they would kill everything."""
    tree = ast.parse((root / path).read_text())
    outcome = _tried_anew(_Changed(root, path, tree), names, tests)
    if outcome.status is not Status.SURVIVED:
        raise DiedError(_unchanged(outcome))


def _tried_anew(changed: "_Changed", names: Sequence[str], tests: Tests) -> Outcome:
    if any(module.split(".")[0] == "daq" for module in sys.modules):
        msg = "the program is imported already"
        raise RuntimeError(msg)

    def work() -> dict[str, str]:
        sys.meta_path.insert(0, changed)
        first = _First()
        code = pytest.main([*_ARGUMENTS, "-x", "-m", MARKED, *names], plugins=[first])
        status = Status.SURVIVED if code == pytest.ExitCode.OK else Status.KILLED
        return {"status": status, "by": first.failed}

    return _outcome(
        work, tests.limit_s(names) + tests.waited_s + 2.0 * tests.collected_s
    )


class _Changed(importlib.abc.MetaPathFinder):
    """Finds one module with another text; nothing is written."""

    def __init__(self, root: Path, path: str, tree: ast.Module) -> None:
        self._path = root / path
        self._code = _compiled(tree, self._path)
        parts = Path(path).with_suffix("").parts
        self._module = ".".join(parts).removesuffix(".__init__")

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: object = None
    ) -> importlib.machinery.ModuleSpec | None:
        """The module's own specification, but for its code."""
        del target
        if fullname != self._module:
            return None
        spec = importlib.machinery.PathFinder.find_spec(fullname, path)
        if spec is None or spec.origin != str(self._path):
            msg = f"{fullname} lies in {spec and spec.origin}"
            raise ImportError(msg)
        spec.loader = _ChangedLoader(fullname, spec.origin, self._code)
        return spec


class _ChangedLoader(importlib.machinery.SourceFileLoader):
    """Loads this code for what the file says."""

    def __init__(self, fullname: str, path: str, code: CodeType) -> None:
        super().__init__(fullname, path)
        self._code = code

    def get_code(self, fullname: str) -> CodeType:
        """The code that was given."""
        del fullname
        return self._code
