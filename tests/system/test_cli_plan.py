"""`daq plan`: what a plan would show, by what a stored session tells of the spread between trials."""

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from daq.records import Accuracy, TrialState
from tests.core.comparison.bench_texts import PLAN
from tests.runtime.compared_sessions import (
    ONCE,
    REPEATED,
    Carried,
    store_session,
)
from tests.system.command_line import Daq, Ended

STATED = """
[comparison.spread.power]
percent = 0.3
degrees_of_freedom = 7
source = "eight starts in May"
"""


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    """A plan that carries out each of three conditions 3 times, 9 trials."""
    return write(tmp_path / "plan.toml", planned(3))


def planned(repeats: int, more: str = "") -> str:
    return f"{PLAN}[order]\nrepeats = {repeats}\n{more}"


def write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def outlook(run: Daq, plan: Path, store: Path, *options: str) -> Any:
    ended = run("plan", plan, "--from", store, "--json", *options)
    assert ended.err == ""
    return json.loads(ended.out)


def of(content: Mapping[str, Any], quantity: str) -> Any:
    (found,) = [q for q in content["quantities"] if q["quantity"] == quantity]
    return found


def row(ended: Ended, quantity: str) -> str:
    (found,) = [x for x in ended.out.splitlines() if x.split("  ")[0] == quantity]
    return " ".join(found.split())


# ---- what it would show


def test_size_repeats_and_length_are_told(run: Daq, plan: Path, store: Path) -> None:
    ended = run("plan", plan, "--from", store_session(store), "--detect", "1")
    assert (ended.code, ended.err) == (0, "")
    # Nine trials, each as long as those of the session: 200 s.
    assert ended.out.startswith(
        "9 trials as planned, by the spread between trials of session 1 (Drying blower)\n"
        "The machine would run for about 30 min in all.\n"
    )
    # Repeats 2.80, 2.66 and 2.52 W apart: s = 1.98, 1.88 and 1.78 W, pooled 1.88 of a mean of 1401 W.
    assert row(ended, "power").startswith("power 0.13 % (1.9 W) 0.")
    assert row(ended, "power").endswith(" 2")
    assert max(map(len, ended.out.splitlines())) <= 80


def test_more_repeats_find_less(run: Daq, tmp_path: Path, store: Path) -> None:
    store_session(store)
    few, many = (
        of(outlook(run, write(tmp_path / f"{n}.toml", planned(n)), store), "power")
        for n in (3, 12)
    )
    assert few["shown"] > many["shown"] > 0.0
    assert few["spread"] == many["spread"]


def test_the_conditions_are_those_of_the_plan(
    run: Daq, tmp_path: Path, store: Path
) -> None:
    store_session(store, ONCE)
    known = STATED.replace("0.3", "1.0").replace("= 7", "= 100000")
    more = "".join(f'[[condition]]\nname = "lead {n}"\n' for n in range(8))
    thin = '[[condition]]\nname = "thin lead"\nchanges = ["lead"]\n'

    def repeats(text: str) -> int:
        path = write(tmp_path / "plan.toml", text + known)
        found = of(outlook(run, path, store, "--detect", "1.5"), "power")["repeats"]
        assert isinstance(found, int)
        return found

    # 1.5 standard deviations, one condition: 8.06 a group by the t test (J. Cohen, Statistical Power Analysis, 2nd ed.
    # (1988), 2.4), hence 9. Ten conditions need a ratio of 2.7 or so instead of 2.0 (C. W. Dunnett, Biometrics 20 (1964)
    # 482, table II, cited from memory): 2 ((2.7 + 0.84) / 1.5)^2 = 11.
    assert repeats(PLAN.replace(thin, "")) == 9
    assert 10 <= repeats(PLAN.replace(thin, thin + more)) <= 12


def test_without_a_size_there_is_no_column_for_it(
    run: Daq, plan: Path, store: Path
) -> None:
    ended = run("plan", plan, "--from", store_session(store))
    assert "repeats" not in ended.out
    assert of(outlook(run, plan, store), "power")["wanted"] is None


def test_the_plans_own_size_is_asked_about(
    run: Daq, tmp_path: Path, store: Path
) -> None:
    text = planned(3, "[comparison]\ndetect_percent = 2\n")
    content = outlook(run, write(tmp_path / "plan.toml", text), store_session(store))
    assert content["percent"] == 2
    # Of the mean of 1400 and 1402.8 W.
    assert of(content, "power")["wanted"] == pytest.approx(28.03, abs=0.01)


def test_a_meter_that_hides_the_size_is_named(
    run: Daq, plan: Path, store: Path
) -> None:
    coarse = {"power": Accuracy(percent_of_reading=3.0)}
    ended = run(
        "plan",
        plan,
        "--from",
        store_session(store, accuracies=[coarse] * 6),
        "--detect",
        "1",
    )
    assert row(ended, "power").endswith("none: the meters")
    assert "gain and offset stated apart in the profile" in ended.out
    found = of(outlook(run, plan, store, "--detect", "1"), "power")
    assert (found["repeats"], found["obstacle"]) == (None, "meters")


def test_a_session_of_the_baseline_alone_tells_spread_and_meter(
    run: Daq, plan: Path, store: Path
) -> None:
    baseline = [Carried("short lead", 1.0 + 0.001 * n) for n in (0, 1, 2, 1)]
    coarse = {"power": Accuracy(counts=20.0, resolution=1.0)}
    store_session(store, baseline, accuracies=[coarse] * 4)
    found = of(outlook(run, plan, store), "power")
    assert found["spread_degrees_of_freedom"] == 3
    # Two conditions do not share 20 counts of 1 W: u = sqrt(2) 20 / sqrt(3) = 16 W; no less than twice that is found.
    assert found["shown"] > 2.0 * 16.0


# ---- where the spread is from


def test_a_session_that_was_not_repeated_tells_no_spread(
    run: Daq, plan: Path, store: Path
) -> None:
    ended = run("plan", plan, "--from", store_session(store, ONCE), "--detect", "1")
    assert ended.code == 1
    assert row(ended, "power") == "power not known not known not known"
    assert "[comparison.spread.NAME]" in ended.out


def test_a_spread_that_the_new_plan_states_is_used(
    run: Daq, tmp_path: Path, store: Path
) -> None:
    path = write(tmp_path / "plan.toml", planned(3, STATED))
    content = outlook(run, path, store_session(store, ONCE))
    # 0.3 % of 1400 W.
    assert of(content, "power")["spread"] == pytest.approx(4.2)
    assert of(content, "current")["spread"] is None


def test_sessions_before_it_tell_the_spread_too(
    run: Daq, tmp_path: Path, plan: Path, store: Path
) -> None:
    store_session(store)
    store_session(store, ONCE)
    assert of(outlook(run, plan, store), "power")["spread_degrees_of_freedom"] == 3
    alone = write(
        tmp_path / "alone.toml", planned(3, "[comparison]\nearlier_sessions = false\n")
    )
    assert of(outlook(run, alone, store), "power")["spread"] is None


def test_the_session_may_be_named(run: Daq, plan: Path, store: Path) -> None:
    store_session(store)
    store_session(store, [replace(c, factor=2.0 * c.factor) for c in REPEATED])
    content = outlook(run, plan, store, "--session", "1")
    assert content["from_session"] == 1


# ---- bad input


def test_a_session_of_another_machine_tells_nothing_of_this_one(
    run: Daq, tmp_path: Path, store: Path
) -> None:
    other = write(tmp_path / "plan.toml", PLAN.replace("Drying blower", "Duct fan"))
    ended = run("plan", other, "--from", store_session(store))
    assert ended.code == 2
    assert ended.says_only("the machine is 'Duct fan'", "is of 'Drying blower'")


def test_a_session_with_nothing_settled_tells_nothing(
    run: Daq, plan: Path, store: Path
) -> None:
    failed = [replace(c, state=TrialState.NOT_SETTLED) for c in ONCE]
    ended = run("plan", plan, "--from", store_session(store, failed))
    assert ended.code == 2
    assert ended.says_only("no trial of session 1 was averaged", "--session")


def test_a_session_without_a_baseline_trial_shows_nothing(
    run: Daq, plan: Path, store: Path
) -> None:
    others = [c for c in REPEATED if c.condition != "short lead"]
    ended = run("plan", plan, "--from", store_session(store, others))
    assert ended.code == 1
    assert "No trial of the baseline “short lead” was averaged in that" in ended.out


def test_a_plan_with_a_fault_is_told_with_its_line(
    run: Daq, tmp_path: Path, store: Path
) -> None:
    path = write(tmp_path / "plan.toml", planned(0))
    ended = run("plan", path, "--from", store_session(store))
    assert ended.code == 2
    line = len(PLAN.splitlines()) + 2
    assert ended.says_only(f"plan.toml:{line}: order.repeats")


def test_no_plan_and_no_store_are_told_apart(
    run: Daq, tmp_path: Path, plan: Path, store: Path
) -> None:
    assert run("plan", plan, "--from", store).code == 4
    missing = run("plan", tmp_path / "none.toml", "--from", store_session(store))
    assert missing.code == 2
    assert missing.says_only("none.toml")
