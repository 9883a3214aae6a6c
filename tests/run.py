"""Installs what the tests need and runs every check: `python3 tests/run.py [--system]`.

Makes the virtual environment .venv in the checkout if there is none. With --system (or with it in the variable
STEADYBENCH_TESTS) the Debian packages for tests against a real broker, a real browser and real device servers are
installed too, and a test that is left out is a failure; without, what is left out is said at the end.
"""

import os
import shutil
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ENVIRONMENT = ROOT / ".venv"
PYTHON = ENVIRONMENT / ("Scripts" if os.name == "nt" else "bin") / "python"
PACKAGES = ("mosquitto", "chromium", "ser2net", "socat")
CHECKS = (
    ("ruff", "format", "--check"),
    ("ruff", "check"),
    ("mypy",),
    ("lint-imports",),
)


def main() -> int:
    """Install, then run the checks; the first that fails ends the run."""
    if sys.version_info < (3, 11):
        sys.exit(f"Python {sys.version.split()[0]} is too old, expected 3.11 or newer")
    words = [*sys.argv[1:], *os.environ.get("STEADYBENCH_TESTS", "").split()]
    if unknown := set(words) - {"--system"}:
        sys.exit(
            f"unknown option {' '.join(sorted(unknown))}, expected --system or nothing"
        )
    complete = "--system" in words
    if complete:
        _install_system_packages()
    _install()
    for check in CHECKS:
        _run(str(PYTHON.parent / check[0]), *check[1:])
    options = ["--nothing-left-out"] if complete else ["-rs"]
    # Most of the time is spent waiting: two at once, a file of tests never parted.
    at_once = ["-n", "2", "--dist", "loadfile", "-m", "not alone"]
    _run(str(PYTHON), "-m", "pytest", *at_once, *options)
    _run(str(PYTHON), "-m", "pytest", "-m", "alone", *options)
    if not complete:
        _say_what_is_missing()
    return 0


def _install_system_packages() -> None:
    missing = [name for name in PACKAGES if _program(name) is None]
    if not missing:
        return
    if shutil.which("apt-get") is None:
        sys.exit(
            f"--system needs apt-get (Debian and its kin); install {', '.join(missing)} by hand"
        )
    become_root = [] if os.geteuid() == 0 else ["sudo"]
    _run(*become_root, "apt-get", "update", "-qq")
    _run(
        *become_root,
        "apt-get",
        "install",
        "-y",
        "-qq",
        "--no-install-recommends",
        *missing,
    )


def _program(name: str) -> str | None:
    return shutil.which(name) or shutil.which(
        name, path="/usr/sbin:/sbin:/usr/local/sbin"
    )


def _install() -> None:
    if not PYTHON.exists():
        venv.create(ENVIRONMENT, with_pip=True)
    _run(
        str(PYTHON),
        "-m",
        "pip",
        "install",
        "--quiet",
        "--disable-pip-version-check",
        "--editable",
        f"{ROOT}[test]",
    )


def _say_what_is_missing() -> None:
    missing = [name for name in PACKAGES if _program(name) is None]
    if missing:
        print(
            f"Left out: tests that need {', '.join(missing)}. "
            "`python3 tests/run.py --system` installs and runs them (Debian, as root or with sudo)."
        )


def _run(*command: str) -> None:
    print("+", " ".join(command), flush=True)
    environment = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    done = subprocess.run(command, cwd=ROOT, env=environment, check=False)
    if done.returncode:
        sys.exit(done.returncode)


if __name__ == "__main__":
    sys.exit(main())
