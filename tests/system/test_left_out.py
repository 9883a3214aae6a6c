"""`pytest --nothing-left-out`: whatever is skipped, a test or a whole module, is a failure."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.system.conftest import PATIENCE_S, ROOT

pytestmark = pytest.mark.slow

GOOD = "def test_it_is_there():\n    pass\n"
LEFT_OUT = {
    "a test": "import pytest\n@pytest.mark.skip(reason='no meter')\ndef test_it():\n    pass\n",
    "a module": "import pytest\npytest.skip('no meter', allow_module_level=True)\n",
    "what needs a library": "import pytest\npytest.importorskip('no_meter')\n",
}


def run_of(folder: Path, text: str, *options: str) -> tuple[int, str]:
    """Exit code and words of a test run on a module of that text."""
    (folder / "test_it.py").write_text(text, encoding="utf-8")
    (folder / "test_other.py").write_text(GOOD, encoding="utf-8")
    done = subprocess.run(
        [
            *(sys.executable, "-m", "pytest", "-p", "tests.conftest"),
            *("-c", os.devnull, "--rootdir", str(folder), "-p", "no:cacheprovider"),
            *(*options, str(folder)),
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
    )
    return done.returncode, done.stdout


@pytest.mark.parametrize("text", LEFT_OUT.values(), ids=LEFT_OUT)
def test_what_is_left_out_is_a_failure_only_where_nothing_may_be(
    tmp_path: Path, text: str
) -> None:
    code, told = run_of(tmp_path, text)
    assert (code, "1 skipped" in told) == (0, True)
    code, told = run_of(tmp_path, text, "--nothing-left-out")
    assert code != 0
    assert "test_it.py" in told
    assert "was left out: " in told
    assert "no" in told.split("was left out: ")[1].splitlines()[0]


def test_a_run_that_leaves_nothing_out_is_good(tmp_path: Path) -> None:
    assert run_of(tmp_path, GOOD, "--nothing-left-out")[0] == 0
