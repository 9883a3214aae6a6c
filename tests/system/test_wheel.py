"""The wheel, installed outside the checkout: nothing generic in site-packages, and the demonstration runs."""

import csv
import os
import subprocess
import sys
import venv
from pathlib import Path

import pytest

from tests.system.bench_process import ROOT

pytestmark = [pytest.mark.slow, pytest.mark.pty, pytest.mark.timeout(420)]


def run(*command, folder):
    # Neither this checkout nor the tests' own environment may help.
    clean = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith("PYTHON")
    }
    return subprocess.run(
        command,
        cwd=folder,
        env=clean,
        capture_output=True,
        text=True,
        timeout=360,
        check=False,
    )


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """Folder of a new virtual environment that holds the wheel."""
    folder = tmp_path_factory.mktemp("wheel")
    pip = ("-m", "pip", "--disable-pip-version-check", "--quiet")
    built = run(
        sys.executable,
        *pip,
        "wheel",
        "--no-deps",
        "--wheel-dir",
        str(folder),
        str(ROOT),
        folder=folder,
    )
    assert built.returncode == 0, built.stderr
    (wheel,) = folder.glob("*.whl")
    environment = folder / "environment"
    venv.create(environment, with_pip=True)
    done = run(
        str(environment / "bin" / "python"), *pip, "install", str(wheel), folder=folder
    )
    assert done.returncode == 0, done.stderr
    return environment


def test_the_wheel_puts_no_generic_name_into_site_packages(installed):
    (record,) = installed.glob(
        "lib/python*/site-packages/steadybench-*.dist-info/RECORD"
    )
    with record.open(encoding="utf-8", newline="") as file:
        names = [row[0] for row in csv.reader(file)]
    tops = {Path(name).parts[0] for name in names if not name.startswith("..")}
    assert tops == {"daq", record.parent.name}
    assert "daq/_bundle/simulators/__main__.py" in names
    assert "daq/_bundle/configs/leads/bench.toml" in names


def test_the_demonstration_runs_from_the_wheel_and_ends_with_the_table(
    installed, tmp_path
):
    done = run(str(installed / "bin" / "daq"), "demo", "--seed", "1", folder=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "seed 1" in done.stdout
    assert "time runs 18 times as fast as life" in done.stdout
    assert "of 48 averages hold the truth within U" in done.stdout
    for condition in (
        "at the outlet",
        "2.5 mm2, 25 m",
        "1.5 mm2, 25 m",
        "1.0 mm2, 40 m",
    ):
        assert condition in done.stdout
    (store,) = tmp_path.glob("steadybench-demo/leads-1/bench.db")
    exported = run(
        str(installed / "bin" / "daq"), "export", str(store), folder=tmp_path
    )
    rows = list(csv.DictReader(exported.stdout.splitlines()))
    assert len(rows) == 48
    assert all(float(row["expanded_uncertainty"]) > 0 for row in rows)
