"""The picture that `daq settle --plot` draws."""

import builtins
import types
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pytest

from tests.system.command_line import Daq
from tests.system.logged_machine import (
    SETTLES,
    Record,
    ramp,
)


@pytest.fixture
def settled(tmp_path: Path) -> Path:
    return SETTLES.save(tmp_path / "fan.csv")


# ---- the picture


def _texts(file: Path) -> list[str]:
    # A file that this test has just had written.
    tree = ET.parse(file)  # noqa: S314
    return [
        element.text or "" for element in tree.iter("{http://www.w3.org/2000/svg}text")
    ]


@pytest.mark.slow
def test_a_picture_names_what_it_shows(run: Daq, settled: Path, tmp_path: Path) -> None:
    file = tmp_path / "fan.svg"
    words = run("settle", settled, "--plot", file)
    assert (words.code, words.err) == (0, f"wrote {file}\n")
    texts = _texts(file)
    (title,) = [text for text in texts if text.startswith("Settled: power_W 1")]
    assert title in words.out
    labels = {"readings", "settled window", "tolerance", "± U (95 %)"}
    labels.add("shown enlarged below")
    mean = title.removeprefix("Settled: power_W ").partition(" ± ")[0]
    labels.add(f"mean {mean}")
    moments = {"switched on", "declared", "confirmed"}
    assert labels | moments | {"time / s", "power_W"} <= set(texts)


@pytest.mark.slow
def test_the_picture_of_the_same_readings_is_the_same_to_the_byte(
    run: Daq, settled: Path, tmp_path: Path
) -> None:
    files = [tmp_path / "first.svg", tmp_path / "second.svg"]
    for file in files:
        run("settle", settled, "--plot", file)
    first, second = (file.read_bytes() for file in files)
    assert first == second


@pytest.mark.slow
def test_what_has_not_settled_is_drawn_as_such(run: Daq, tmp_path: Path) -> None:
    # Mathematics in the name of a column must not be typeset.
    file = Record(ramp).save(tmp_path / "ramp.csv")
    renamed = file.read_text(encoding="utf-8").replace("power_W", "$P_1$")
    file.write_text(renamed, encoding="utf-8")
    assert run("settle", file, "--plot", tmp_path / "ramp.svg").code == 1
    texts = _texts(tmp_path / "ramp.svg")
    assert "Not settled: drifting" in texts
    assert "$P_1$" in texts
    assert "declared" not in texts
    # Nothing that could be taken for a result.
    assert not any("mean" in text for text in texts)
    assert "tolerance, about the last readings" in texts


@pytest.mark.slow
def test_a_mean_that_has_not_settled_is_drawn_on_request_only(
    run: Daq, tmp_path: Path
) -> None:
    file, drawn = Record(ramp).save(tmp_path / "ramp.csv"), tmp_path / "ramp.svg"
    told = run("settle", file, "--even-so", "--plot", drawn)
    assert told.code == 1
    shown = told.out.partition("NOT SETTLED average of the last stretch: power_W ")[2]
    mean = shown.partition(" ± ")[0]
    assert f"mean of the last stretch {mean}, NOT SETTLED" in _texts(drawn)


@pytest.mark.slow
def test_as_json_the_name_of_the_picture_is_not_on_standard_output(
    run: Daq, settled: Path, tmp_path: Path
) -> None:
    told = run("settle", settled, "--json", "--plot", tmp_path / "fan.svg")
    assert told.out.startswith("{")
    assert told.err == f"wrote {tmp_path / 'fan.svg'}\n"


@pytest.mark.slow
def test_a_picture_can_be_a_png(run: Daq, settled: Path, tmp_path: Path) -> None:
    file = tmp_path / "fan.PNG"
    assert run("settle", settled, "--json", "--plot", file).code == 0
    assert file.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")


@pytest.mark.slow
def test_a_long_record_makes_a_small_picture_with_every_peak(
    run: Daq, tmp_path: Path
) -> None:
    # 40 000 readings; one of them stands out.
    lines = [f"{i * 0.01:.2f},{900 + 0.1 * (i % 3):.1f}" for i in range(40_000)]
    lines[31_234] = "312.34,905.0"
    file = tmp_path / "fast.csv"
    file.write_text("\n".join(["t,v", *lines]), encoding="utf-8")
    drawn, without = tmp_path / "fast.svg", tmp_path / "without.svg"
    run("settle", file, "--plot", drawn)
    assert drawn.stat().st_size < 300_000
    file.write_text(file.read_text().replace("905.0", "900.1"), encoding="utf-8")
    run("settle", file, "--plot", without)
    assert drawn.read_bytes() != without.read_bytes()


def test_without_the_drawing_library_the_remedy_is_told(
    run: Daq, settled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def absent(name: str, *rest: Any, **more: Any) -> types.ModuleType:
        if name.partition(".")[0] == "matplotlib":
            raise ModuleNotFoundError(name)
        module: types.ModuleType = real(name, *rest, **more)
        return module

    monkeypatch.setattr(builtins, "__import__", absent)
    told = run("settle", settled, "--plot", tmp_path / "fan.svg")
    assert (told.code, told.out) == (2, "")
    assert told.says_only("--plot needs", "pip install matplotlib")
    assert run("settle", settled).code == 0


@pytest.mark.slow
def test_a_picture_that_cannot_be_written_is_told(
    run: Daq, settled: Path, tmp_path: Path
) -> None:
    told = run("settle", settled, "--plot", tmp_path / "nowhere" / "fan.svg")
    assert told.code == 2
    assert told.says_only("fan.svg: cannot be written: ")
