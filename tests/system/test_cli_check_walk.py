"""`daq check --walk`: what spoils afternoons, item by item; by options, by a scripted terminal, and on simulated meters."""

import functools
import json
import re
import shutil
import sys
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

import pytest

from daq.cli import check
from daq.cli.guarded import guarded
from tests.system.bench_process import Terminal
from tests.system.command_line import Daq, Ended, edit
from tests.system.conftest import CONFIGS, Simulator

KEYS = ("auto-power-off", "hold", "autorange", "units")
CAUTION = "! Mains can kill."


class Script:
    """Whoever sits at the terminal: answers what is asked by a word in the question; nothing more after its end."""

    def __init__(self, *answers: tuple[str, str]) -> None:
        self.asked: list[str] = []
        self._answers = list(answers)

    def __call__(self, question: str) -> str:
        self.asked.append(question)
        if not self._answers:
            raise EOFError
        word, answer = self._answers.pop(0)
        assert word in question, (word, question)
        return answer


@pytest.fixture
def checked(capsys: pytest.CaptureFixture[str]) -> Daq:
    """`daq check`; `ask` answers its questions, without one there is no terminal."""

    def ended(*words: object, ask: Callable[[str], str] | None = None) -> Ended:
        command = functools.partial(check.run, ask=ask)
        code = guarded(command, [str(word) for word in words], debug=False)
        captured = capsys.readouterr()
        return Ended(code, captured.out, captured.err)

    return ended


def verdicts(told: Ended) -> Mapping[str, str]:
    """Verdict by item, of the text."""
    lines = [line for line in told.out.splitlines() if line.startswith("[")]
    parts = [line[1:].split("] ", 1) for line in lines]
    return {rest.split(": ")[0]: verdict for verdict, rest in parts}


def walked(told: Ended) -> Mapping[str, dict[str, Any]]:
    """Items by name, of the JSON."""
    return {item["item"]: item for item in json.loads(told.out)["walk"]["items"]}


def options(items: Iterable[str]) -> list[str]:
    return [word for item in items for word in ("--yes", item)]


def with_air(folder: Path, *, airflow: bool = True) -> None:
    """The second meter becomes one of velocity, from which an airflow is made."""
    meter = (folder / "meter.toml").read_text(encoding="utf-8")
    vane = meter.replace('"volts"', '"speed"').replace('"voltage"', '"velocity"')
    (folder / "vane.toml").write_text(
        vane.replace('unit = "V"', 'unit = "m/s"'), "utf-8"
    )
    bench = folder / "bench.toml"
    head, tail = bench.read_text(encoding="utf-8").split('name = "other"')
    tail = tail.replace("meter.toml", "vane.toml")
    made = '\n[[airflow]]\nname = "airflow"\nchannel = "other_speed"\nmeter = "vane"\ndiameter_mm = 60\n'
    bench.write_text(f'{head}name = "other"{tail}{made if airflow else ""}', "utf-8")


# ---- by options, no port opened


def test_without_the_option_nothing_is_gone_through(checked: Daq, folder: Path) -> None:
    told = checked(folder / "bench.toml", folder / "plan.toml", "--files-only")
    assert told.code == 0
    assert CAUTION not in told.out
    assert verdicts(told) == {}
    assert not (folder / "bench.checks.toml").exists()


def test_what_is_not_answered_is_to_do(checked: Daq, folder: Path) -> None:
    told = checked(folder / "bench.toml", "--files-only", "--walk")
    assert (told.code, told.err) == (1, "")
    assert told.out.count(CAUTION) == 1
    assert verdicts(told) == {
        "isolation:meter": "to do",
        "isolation:other": "to do",
        **dict.fromkeys(KEYS, "to do"),
        "pair": "not applicable",
        "zero": "not applicable",
        "air": "not applicable",
        "refresh:meter": "to do",
        "refresh:other": "to do",
        "clock": verdicts(told)["clock"],
        "disk": "done",
        "limit": "not applicable",
    }
    # One line of finding, one of reason.
    lines = told.out.splitlines()
    place = next(n for n, x in enumerate(lines) if x.startswith("[to do] hold: "))
    assert (
        lines[place + 1]
        == "    A held value is perfectly steady: it settles at once and is wrong."
    )
    assert "[to do] refresh:meter: not read, as no port was opened" in told.out
    assert "what the check says" not in told.out
    assert not (folder / "bench.checks.toml").exists()


def test_an_answer_is_kept_until_the_bench_changes(checked: Daq, folder: Path) -> None:
    bench = folder / "bench.toml"
    told = checked(bench, "--files-only", *options(["isolation", *KEYS, "clock"]))
    assert set(verdicts(told)) >= {"isolation:meter", "hold"}
    again = checked(bench, "--files-only", "--walk")
    for item in ("isolation:meter", "isolation:other", "clock", *KEYS):
        assert verdicts(again)[item] == "done", item
    edit(bench, "unit = 2", "unit = 3")
    changed = checked(bench, "--files-only", "--walk")
    # Only what concerns the changed meter; keys are asked of all together.
    assert verdicts(changed)["isolation:meter"] == "done"
    assert verdicts(changed)["isolation:other"] == "to do"
    assert verdicts(changed)["hold"] == "to do"


def test_an_answer_of_no_is_refused(checked: Daq, folder: Path) -> None:
    bench = folder / "bench.toml"
    told = checked(bench, "--files-only", "--answer", "isolation:meter=no")
    assert told.code == 1
    assert verdicts(told)["isolation:meter"] == "refused"
    assert "do not connect it to this computer" in told.out
    told = checked(bench, "--files-only", "--answer", "isolation:meter=Yes")
    assert verdicts(told)["isolation:meter"] == "done"


def test_when_all_is_done_the_exit_code_says_so(checked: Daq, folder: Path) -> None:
    every = ["isolation", *KEYS, "clock"]
    told = checked(folder / "bench.toml", "--files-only", "--json", *options(every))
    facts = json.loads(told.out)
    left = {n for n, item in walked(told).items() if item["verdict"] == "to do"}
    # Without a port no refresh can be told.
    assert left == {"refresh:meter", "refresh:other"}
    assert facts["walk"]["in_order"] is False
    assert told.code == 1
    assert facts["walk"]["kept_in"] == str(folder / "bench.checks.toml")
    assert facts["walk"]["cautions"][0].startswith("Mains can kill.")
    assert walked(told)["disk"]["figures"]["days_left"] > 0


def test_answers_are_kept_beside_the_store_that_is_named(
    checked: Daq, folder: Path
) -> None:
    store = folder / "other.db"
    bench = folder / "bench.toml"
    checked(bench, "--files-only", "--yes", "hold", "--store", store)
    assert (folder / "other.checks.toml").exists()
    assert not (folder / "bench.checks.toml").exists()


def test_meters_that_are_read_by_eye_are_asked_for(checked: Daq, folder: Path) -> None:
    bench = folder / "bench.toml"
    edit(bench, "unit = 1", 'unit = 1\nplace = "supply end" # ')
    vane = '[[typed]]\nname = "outlet_velocity"\nquantity = "velocity"\nunit = "m/s"\nresolution = 0.1\n'
    volts = '[[typed]]\nname = "far_volts"\nquantity = "voltage"\nunit = "V"\nresolution = 0.1\nplace = "machine end"\n'
    bench.write_text(bench.read_text("utf-8") + vane + volts, encoding="utf-8")
    told = checked(bench, "--files-only", "--walk")
    found = verdicts(told)
    assert found["zero:outlet_velocity"] == found["pair:far_volts"] == "to do"
    assert "outlet_velocity is read by eye: with the machine off" in told.out
    assert "supply and far_volts are compared by eye" in told.out
    found = verdicts(checked(bench, "--files-only", *options(["zero", "pair"])))
    assert found["zero:outlet_velocity"] == found["pair:far_volts"] == "done"
    script = Script(("isolated", ""), ("isolated", ""))
    found = verdicts(checked(bench, "--files-only", "--walk", ask=script))
    assert found["zero:outlet_velocity"] == found["pair:far_volts"] == "done"


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        (("--yes", "holt"), ("holt: nothing of that name", "hold, isolation")),
        (("--yes", "isolation:metre"), ("isolation:metre: nothing",)),
        (("--answer", "hold"), ("--answer hold: expected ITEM=VALUE",)),
        (("--answer", "hold=maybe"), ("got 'maybe', expected yes or no",)),
        (("--answer", "clock=no"), ("got 'no', expected yes, or no such option",)),
        (("--answer", "air=1013"), ("--answer air: got '1013'", "QNH 1019 hPa 914 m")),
        # Of a bench that has no airflow meter.
        (("--yes", "zero"), ("zero: nothing of that name",)),
    ],
)
def test_an_option_that_answers_nothing_is_told(
    checked: Daq, folder: Path, words: tuple[str, str], parts: tuple[str, ...]
) -> None:
    told = checked(folder / "bench.toml", "--files-only", *words)
    assert (told.code, told.out.count(CAUTION)) == (2, 0)
    assert told.says_only(*parts)


def test_a_damaged_file_of_answers_is_told_and_stays(
    checked: Daq, folder: Path
) -> None:
    kept = folder / "bench.checks.toml"
    kept.write_text("format = [", encoding="utf-8")
    told = checked(folder / "bench.toml", "--files-only", "--yes", "hold")
    assert told.code == 2
    assert told.says_only("bench.checks.toml: cannot be read: no valid TOML")
    assert kept.read_text(encoding="utf-8") == "format = ["


def test_a_sea_level_pressure_becomes_the_benchs_own(
    checked: Daq, folder: Path
) -> None:
    with_air(folder)
    bench = folder / "bench.toml"
    told = checked(
        bench, "--files-only", "--json", "--answer", "air=QNH 1020 hPa 914 m"
    )
    air = walked(told)["air"]
    assert air["verdict"] == "to do"
    assert 'pressure_hpa = 914.4, pressure_kind = "station"' in air["finding"]
    assert air["figures"]["pressure_pa"] == pytest.approx(91434, abs=5)
    # Written into the bench as it says, nothing is left to do but to say that it is of today.
    lines = (
        '\n[air]\ntemperature_c = 20\npressure_hpa = 914.4\npressure_kind = "station"\n'
    )
    bench.write_text(bench.read_text(encoding="utf-8") + lines, encoding="utf-8")
    told = checked(bench, "--files-only", "--walk")
    assert verdicts(told)["air"] == "to do"
    told = checked(bench, "--files-only", "--yes", "air")
    assert verdicts(told)["air"] == "done"


def test_a_barometer_that_was_not_read_is_told_as_such(
    checked: Daq, folder: Path
) -> None:
    with_air(folder)
    edit(folder / "meter.toml", '"voltage"', '"pressure"')
    edit(folder / "meter.toml", 'unit = "V"', 'unit = "hPa"')
    bench = folder / "bench.toml"
    air = '\n[air]\ntemperature_c = 20\npressure_channel = "supply"\n'
    bench.write_text(bench.read_text(encoding="utf-8") + air, encoding="utf-8")
    told = checked(bench, "--files-only", "--walk")
    assert "[to do] air: supply: not read, as no port was opened" in told.out


def test_an_answer_that_was_edited_into_nonsense_is_asked_anew(
    checked: Daq, folder: Path
) -> None:
    with_air(folder)
    bench = folder / "bench.toml"
    checked(bench, "--files-only", "--answer", "air=altitude 914 m")
    edit(folder / "bench.checks.toml", "altitude 914 m", "up there")
    told = checked(bench, "--files-only", "--walk")
    assert verdicts(told)["air"] == "to do"
    assert "what is the pressure, expected" in told.out


def test_the_plans_limits_and_leads_are_gone_through(
    checked: Daq, scenario: Callable[[str], Path]
) -> None:
    folder = scenario("leads")
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace("current_a = 6.5", "current_a = 12"), "utf-8")
    told = checked(folder / "bench.toml", plan, "--files-only", "--walk")
    found = verdicts(told)
    assert found["lead:1.5 mm2, 25 m"] == "done"
    assert found["lead:1.0 mm2, 40 m"] == "refused"
    assert found["limit:machine_voltage"] == "done"
    assert "rated 10 A, and the machine draws 12 A" in told.out


def test_the_shipped_plan_for_leads_has_limits_that_fit_its_ratings(
    checked: Daq,
) -> None:
    base = CONFIGS / "leads"
    told = checked(base / "bench.toml", base / "plan.toml", "--files-only", "--walk")
    ratings = {
        item: verdict
        for item, verdict in verdicts(told).items()
        if item.startswith(("limit:", "lead:"))
    }
    assert ratings
    assert set(ratings.values()) == {"done"}


# ---- by a scripted terminal


def test_a_plan_at_a_terminal_offers_the_list(checked: Daq, folder: Path) -> None:
    script = Script(("Go through what spoils afternoons", ""))
    bench, plan = folder / "bench.toml", folder / "plan.toml"
    told = checked(bench, plan, "--seconds", "0.1", ask=script)
    assert len(script.asked) == 1
    assert verdicts(told) == {}
    script = Script(("Go through what spoils afternoons", "y"))
    told = checked(bench, plan, "--seconds", "0.1", ask=script)
    # The script has ended, so nobody is asked again after the first question.
    assert len(script.asked) == 2
    assert verdicts(told)["hold"] == "to do"
    # A meter that does not answer is worse than an item that is open.
    assert told.code == 3


def test_every_question_is_answered_with_one_key(checked: Daq, folder: Path) -> None:
    script = Script(
        ("isolated", "y"),
        ("isolated", "n"),
        ("power-off", "maybe"),
        ("power-off", "Y"),
        ("hold", ""),
        ("range", "y"),
        ("display", "y"),
    )
    told = checked(folder / "bench.toml", "--files-only", "--walk", ask=script)
    found = verdicts(told)
    assert found["isolation:meter"] == "done"
    assert found["isolation:other"] == "refused"
    assert "got 'maybe', expected y or n, or Enter alone" in told.out
    assert [found[key] for key in KEYS] == ["done", "to do", "done", "done"]
    # What was answered by yes is not asked again; what was no, or left, is.
    script = Script(("isolated", "y"), ("hold", "y"))
    found = verdicts(
        checked(folder / "bench.toml", "--files-only", "--walk", ask=script)
    )
    assert found["isolation:other"] == "done"
    assert [found[key] for key in KEYS] == ["done"] * 4


def test_the_kinds_of_pressure_are_explained_where_it_is_asked(
    checked: Daq, folder: Path
) -> None:
    with_air(folder)
    yes = options(["isolation", *KEYS])
    script = Script(
        ("What is the air pressure today?", "1013"),
        ("QNH: taken down to sea level by the standard atmosphere", "altitude 914 m"),
    )
    told = checked(folder / "bench.toml", "--files-only", *yes, ask=script)
    assert "got '1013', expected" in told.out
    assert (
        "write a table [air] into the bench with temperature_c and altitude_m = 914"
        in told.out
    )


@pytest.mark.pty
@pytest.mark.slow
def test_a_real_terminal_is_asked(folder: Path) -> None:
    words = [str(folder / "bench.toml"), "--files-only", "--walk"]
    terminal = Terminal([sys.executable, "-m", "daq", "check", *words])
    # All that is asked on this bench: two isolations, four keys, perhaps the clock.
    terminal.press(b"y\n" * 7)
    assert terminal.finish() == 1
    assert b"[done] units: acknowledged on" in terminal.drawn
    assert b"[y/n, Enter leaves it open]" in terminal.drawn
    assert b"Traceback" not in terminal.drawn


# ---- on simulated meters


def quickened(folder: Path, *profiles: str) -> Path:
    """The bench with shipped profiles that say that the meter refreshes twenty times a second, for short readings."""
    bench = folder / "bench.toml"
    for profile in profiles:
        text = (CONFIGS / "profiles" / f"{profile}.toml").read_text(encoding="utf-8")
        assert "\nrefresh_s = " in text
        quick = re.sub(r"refresh_s = [0-9.]+", "refresh_s = 0.05", text)
        (folder / f"{profile}.toml").write_text(quick, encoding="utf-8")
        named = bench.read_text(encoding="utf-8")
        assert f'"{profile}"' in named
        named = named.replace(f'"{profile}"', f'"{profile}.toml"')
        bench.write_text(named, encoding="utf-8")
    return bench


@pytest.mark.pty
@pytest.mark.slow
def test_both_voltmeters_are_read_on_one_outlet_and_the_difference_is_kept(
    checked: Daq,
    scenario: Callable[[str], Path],
    simulate: Callable[..., Simulator],
) -> None:
    folder = scenario("leads")
    bench = quickened(folder, "ac-meter-float")
    simulator = simulate(folder)
    words = ("--seconds", "1", "--json", "--yes", "pair")
    told = checked(bench, *words)
    items = walked(told)
    assert told.code == 1
    assert "Reading meter-supply-end, meter-machine-end 20 times" in told.err
    pair = items["pair:machine_voltage"]
    assert pair["verdict"] == "done"
    assert pair["figures"]["mean_v"] == pytest.approx(230, abs=2)
    # Each is within 0.3 % and a count of the truth.
    assert abs(pair["figures"]["difference_v"]) < 2 * (0.003 * 230 + 0.1)
    assert items["refresh:anemometer"]["verdict"] == "done"
    assert "a line every 0.5 s" in items["refresh:anemometer"]["finding"]
    simulator.type("on")
    # The figure of the list stands above it, too, with why values come at another pace.
    above = checked(bench, "--seconds", "5").out
    assert "; a line every 0.5 s, its profile says 0.5 s" in above
    assert re.search(r"a new value about every [\d.]+ s, as a line may repeat", above)
    running = walked(checked(bench, *words))[pair["item"]]
    assert running["verdict"] == "refused"
    assert "so something runs: switch the machine off" in running["finding"]
    # It needs no port any more, and what was refused does not take its place.
    kept = walked(checked(bench, "--files-only", "--walk", "--json"))[pair["item"]]
    assert (kept["verdict"], kept["figures"]) == ("done", pair["figures"])
    assert "; read on 20" in kept["finding"]


@pytest.mark.pty
@pytest.mark.slow
def test_a_zero_is_kept_and_one_of_moving_air_is_refused(
    checked: Daq, tmp_path: Path, simulate: Callable[..., Simulator]
) -> None:
    folder = tmp_path / "filters"
    shutil.copytree(CONFIGS / "filters", folder)
    bench = quickened(folder, "duct-velocity-scaled", "power-analyser-query")
    simulator = simulate(folder)
    zeros = ("--seconds", "1", "--json", "--yes", "zero")
    told = checked(bench, *zeros)
    (zero,) = (item for name, item in walked(told).items() if name.startswith("zero:"))
    assert zero["verdict"] == "done", zero
    assert zero["figures"]["mean"] == pytest.approx(0, abs=0.1)
    assert zero["figures"]["unit"] == "m/s"
    simulator.type("fit no filter")
    simulator.type("on")
    moving = walked(checked(bench, *zeros))[zero["item"]]
    assert moving["verdict"] == "refused"
    # What was refused does not take the place of what was still.
    kept = walked(checked(bench, "--files-only", "--walk", "--json"))[zero["item"]]
    assert (kept["verdict"], kept["figures"]) == ("done", zero["figures"])


@pytest.mark.slow
def test_meters_that_are_not_there_leave_the_pair_to_be_read(
    checked: Daq, folder: Path
) -> None:
    edit(folder / "meter.toml", "refresh_s = 0.1", "refresh_s = 0.02")
    for number, place in ((1, "supply end"), (2, "machine end")):
        edit(
            folder / "bench.toml",
            f"unit = {number}",
            f'unit = {number}\nplace = "{place}" # ',
        )
    told = checked(folder / "bench.toml", "--seconds", "0.1", "--json", "--yes", "pair")
    assert told.code == 3
    pair = walked(told)["pair:other_volts"]
    assert pair["verdict"] == "to do"
    assert "0 readings of both came near enough in time" in pair["finding"]
    # Nothing was measured, so nothing is kept.
    assert not (folder / "bench.checks.toml").exists()
    assert "no two readings came" in walked(told)["refresh:meter"]["finding"]
