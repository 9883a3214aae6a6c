"""`daq reanalyse`: live results come out again to the bit; other rules are shown beside them."""

import json
import signal
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from tests.runtime.recorded_session import Recording
from tests.system.bench_process import (
    BenchFolder,
    Run,
    Simulators,
    Terminal,
    reanalysed,
    run_command,
)
from tests.system.command_line import Daq, Ended
from tests.system.recorded_bench import (
    all_settled,
    only_begun,
    record_session,
    settled_then_too_short,
)


@pytest.fixture
def record(tmp_path: Path) -> Callable[[Callable[[Recording], None]], Path]:
    """Records a session of the small bench; returns its store."""
    return lambda play: record_session(tmp_path / "bench.db", play)


def ask(path: Path, statement: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute(statement).fetchall()
        connection.commit()
    return rows


def facts_of(told: Ended, code: int = 0) -> dict[str, Any]:
    assert (told.code, told.err) == (code, "")
    facts: dict[str, Any] = json.loads(told.out)
    return facts


LIVE = "SELECT * FROM averages WHERE analysis_id = 0 ORDER BY trial_id, channel"
COPY = (
    "SELECT trial_id, channel, mean, std_uncertainty, expanded_uncertainty, window_end_s"
    " FROM averages WHERE analysis_id = {} ORDER BY trial_id, channel"
)


# ---- the same rule


def test_unchanged_options_reproduce_the_session_and_keep_it_as_an_analysis(
    run: Daq, record: Callable[..., Path]
) -> None:
    store = record(all_settled)
    live = ask(store, LIVE)
    told = run("reanalyse", store)
    assert (told.code, told.err) == (0, "")
    assert told.out.count("finished, the same to the bit") == 2
    assert "2 of 2 trials came out the same, to the bit." in told.out
    assert f"Kept as analysis 1 in {store}; what was averaged before stays." in told.out
    assert f"To see it: daq export {store} --analysis 1; " in told.out
    assert ask(store, LIVE) == live
    assert ask(store, COPY.format(1)) == ask(store, COPY.format(0))
    assert ask(store, "SELECT session_id, note FROM analyses WHERE id = 1") == [
        (1, "the rule that each trial was run with")
    ]
    # What other programs are handed stays what was measured live.
    exported = run("export", store).out
    assert exported.count("\n") == 1 + len(live)


def test_json_tells_the_same_facts(run: Daq, record: Callable[..., Path]) -> None:
    facts = facts_of(run("reanalyse", record(all_settled), "--json"))
    assert (facts["session"], facts["analysis"], facts["changed"]) == (1, 1, [])
    assert facts["reproduced"] is True
    for trial in facts["trials"]:
        assert trial["reproduced"] is True
        assert trial["before"] == trial["after"]
        assert [a["channel"] for a in trial["after"]["averages"]] == [
            "current",
            "power",
        ]


def test_an_unfinished_trial_is_reproduced_too_and_ends_with_1(
    run: Daq, record: Callable[..., Path]
) -> None:
    facts = facts_of(run("reanalyse", record(settled_then_too_short), "--json"), code=1)
    assert facts["reproduced"] is True
    assert [t["after"]["state"] for t in facts["trials"]] == ["finished", "unfinished"]


def test_a_trial_that_a_kill_cut_off_owes_nothing_although_its_readings_suffice(
    run: Daq, record: Callable[..., Path]
) -> None:
    store = record(all_settled)
    # As the next start of the program leaves a trial whose outcome was not on the disk yet.
    ask(store, "DELETE FROM averages WHERE trial_id = 1")
    ask(
        store,
        "UPDATE trials SET state = 'unfinished', note = 'the program was stopped while it ran' WHERE id = 1",
    )
    told = run("reanalyse", store)
    assert told.code == 0
    assert (
        "unfinished → finished: the program was stopped while it ran, so there is nothing that it must agree with"
        in told.out
    )
    assert "1 of 2 trials came out the same, to the bit." in told.out
    assert facts_of(run("reanalyse", store, "--json"))["reproduced"] is True


def test_a_trial_that_does_not_come_out_again_is_said_plainly(
    run: Daq, record: Callable[..., Path]
) -> None:
    store = record(all_settled)
    ask(store, "UPDATE readings_meter SET power_w = power_w + 0.1 WHERE trial_id = 1")
    told = run("reanalyse", store)
    assert told.code == 1
    assert "finished, NOT REPRODUCED" in told.out
    assert "NOT REPRODUCED: trial 1, although nothing was changed." in told.out
    assert "1 of 2" not in told.out
    assert "the store does not hold the readings that were judged" in told.out
    ask(store, "UPDATE sessions SET software = 'steadybench 0.1.0'")
    told = run("reanalyse", store)
    assert "the rule is another one by now, or the store does not hold" in told.out


def test_a_trial_of_an_earlier_version_is_judged_by_its_plan_and_not_held_against_it(
    run: Daq, record: Callable[..., Path]
) -> None:
    store = record(all_settled)
    ask(store, "UPDATE trials SET first_reading = NULL, newest_channel_id = NULL")
    ask(
        store,
        "UPDATE trials SET rule_json ="
        """ '{"of_old": 1, "tolerances": {"current": 0.005, "power": 0.005, "velocity": 0.01}}'""",
    )
    told = run("reanalyse", store)
    assert told.code == 0
    assert told.out.count("judged live by another version of the rule") == 2
    assert "NOT REPRODUCED" not in told.out


def test_an_unfinished_trial_is_averaged_on_request_and_marked(
    run: Daq, record: Callable[..., Path]
) -> None:
    store = record(settled_then_too_short)
    told = run("reanalyse", store, "--even-so")
    assert told.code == 1
    assert "unfinished → not settled, the same to the bit" in told.out
    assert "not settled, averaged on request" in told.out
    assert "NOT REPRODUCED" not in told.out
    kept = ask(
        store,
        "SELECT t.state, t.note, a.mean, a.expanded_uncertainty FROM analysed_trials t"
        " JOIN averages a USING (trial_id, analysis_id)"
        " WHERE t.trial_id = 2 AND a.channel = 'power'",
    )
    ((state, note, mean, expanded),) = kept
    assert state == "not settled"
    assert "averaged on request" in str(note)
    # The rehearsed machine draws 1400 W.
    assert isinstance(mean, float)
    assert isinstance(expanded, float)
    assert abs(mean - 1400.0) <= expanded
    # Live the trial has no average, says why, and that it can have one.
    assert ask(store, "SELECT note FROM trials WHERE id = 2") == [
        (
            "power: too short (let it run for some minutes after switching on);"
            " can be averaged as not settled: daq reanalyse --even-so",
        )
    ]


# ---- another rule


def test_another_rule_is_shown_beside_the_live_one(
    run: Daq, record: Callable[..., Path]
) -> None:
    store = record(all_settled)
    told = run("reanalyse", store, "--rule", "least_s=50")
    assert (told.code, told.err) == (0, "")
    assert "judged again by least_s=50." in told.out
    assert "to the bit" not in told.out
    header = next(line for line in told.out.splitlines() if "before" in line)
    assert header.split() == [
        "channel",
        "before",
        "after",
        "change",
        "window",
        "/",
        "s",
    ]
    # The plan has 30 s.
    ((live_s,), (new_s,)) = ask(
        store,
        "SELECT window_end_s FROM averages WHERE trial_id = 1 AND channel = 'power'"
        " ORDER BY analysis_id",
    )
    assert isinstance(live_s, float)
    assert isinstance(new_s, float)
    assert new_s > live_s
    rule = ask(store, "SELECT rule_json FROM analyses WHERE id = 1")[0][0]
    assert json.loads(str(rule))["parameters"]["least_s"] == 50.0


def test_a_preset_takes_the_place_of_the_recorded_rule(
    run: Daq, record: Callable[..., Path]
) -> None:
    store = record(all_settled)
    facts = facts_of(run("reanalyse", store, "--preset", "standard", "--json"))
    assert facts["changed"] == ["preset standard"]
    assert facts["reproduced"] is None
    # The plan had set its own least time.
    assert facts["trials"][0]["before"] != facts["trials"][0]["after"]


def rule_of(store: Path) -> dict[str, Any]:
    """What the first analysis was made by."""
    ((rule, note),) = ask(store, "SELECT rule_json, note FROM analyses WHERE id = 1")
    facts: dict[str, Any] = json.loads(str(rule))
    return {**facts, "note": note}


def test_another_tolerance_is_asked_of_all_channels_or_of_one(
    run: Daq, record: Callable[..., Path]
) -> None:
    store = record(all_settled)
    facts = facts_of(
        run("reanalyse", store, "--tol", "0.02", "--tol", "power=0.01", "--json")
    )
    assert facts["changed"] == ["tolerance 2 %", "tolerance of power 1 %"]
    assert facts["reproduced"] is None
    rule = rule_of(store)
    assert rule["tolerances"] == {"current": 0.02, "power": 0.01, "velocity": 0.02}
    assert rule["note"] == "tolerance 2 %, tolerance of power 1 %"
    # Whoever exports learns of it.
    assert "tolerance of power 1 %" in run("export", store, "--table", "analyses").out


def test_a_narrower_tolerance_takes_the_averages_back_and_says_what_to_do(
    run: Daq, record: Callable[..., Path]
) -> None:
    # 1 W of scatter on 1400 W cannot be told to be within a hundred-thousandth.
    told = run("reanalyse", record(all_settled), "--tol", "power=0.00001")
    assert told.code == 1
    assert told.out.count("finished → not settled") == 2
    assert "power: too noisy (steady the supply or the airflow" in told.out


def test_another_target_lets_averaging_go_on_for_longer(
    run: Daq, record: Callable[..., Path]
) -> None:
    store = record(all_settled)
    # The plan names no target; 1 W of scatter over its least 30 s leaves more than 0.001 %.
    told = run("reanalyse", store, "--target", "0.001")
    assert "judged again by target 0.001 %." in told.out
    assert rule_of(store)["target"] == pytest.approx(1e-5)
    ends = ask(
        store,
        "SELECT analysis_id, window_end_s FROM averages WHERE trial_id = 1"
        " AND channel = 'power' ORDER BY analysis_id",
    )
    # It goes on to the plan's longest time, 60 s after the declaration: then what there is must do.
    assert len(ends) == 2
    assert float(str(ends[1][1])) > float(str(ends[0][1]))


def test_other_channels_can_be_required(run: Daq, record: Callable[..., Path]) -> None:
    store = record(all_settled)
    words = ("--required", "current", "--required", "power", "--json")
    facts = facts_of(run("reanalyse", store, *words))
    assert facts["changed"] == ["required current and power"]
    assert rule_of(store)["required"] == ["current", "power"]
    # The rehearsed vane is never read: nothing can settle that waits for it.
    told = run("reanalyse", store, "--required", "velocity", "--dry-run")
    assert told.code == 1
    assert "velocity: gaps (look at the meter" in told.out


def test_a_change_that_is_less_than_is_shown_has_no_sign(
    run: Daq, record: Callable[..., Path]
) -> None:
    # Far from what decides: everything but the wish stays the same, the scatter of 1 W included.
    told = run("reanalyse", record(all_settled), "--rule", "scale=0.66")
    assert told.out.count("no change") >= 2
    assert "+0 " not in told.out
    assert "-0 " not in told.out


def test_a_dry_run_leaves_the_file_as_it_is(
    run: Daq, record: Callable[..., Path]
) -> None:
    store = record(all_settled)
    before = store.read_bytes()
    told = run("reanalyse", store, "--dry-run")
    assert told.code == 0
    assert "Kept as" not in told.out
    assert "--analysis" not in told.out
    assert store.read_bytes() == before


# ---- what is refused


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--rule", "lest_s=50"), "unknown parameter, did you mean 'least_s'?"),
        (("--rule", "least_s=soon"), "least_s: got 'soon', expected a number"),
        (("--rule", "least_s=-1"), "least_s: got -1, expected finite numbers above 0"),
        (("--rule", "least_s"), "least_s: no value, expected name=value"),
        (("--preset", "hasty"), "argument --preset: invalid choice: 'hasty'"),
        (("--tol", "0"), "argument --tol: got 0, expected a share above 0"),
        (("--tol", "power=1"), "argument --tol: got power=1, expected a share"),
        (("--tol", "=0.01"), "argument --tol: got =0.01, expected a share"),
        (("--tol", "0.1", "--tol", "0.2"), "a tolerance for all given twice"),
        (("--tol", "p=0.1", "--tol", "p=0.2"), "argument --tol: p given twice"),
        (("--target", "0"), "argument --target: got 0, expected percent of the mean"),
        (("--target", "small"), "argument --target: got small, expected percent"),
    ],
)
def test_a_rule_that_cannot_be_ends_with_2_before_the_store_is_touched(
    run: Daq, tmp_path: Path, words: tuple[str, ...], told: str
) -> None:
    ended = run("reanalyse", tmp_path / "none.db", *words)
    assert (ended.code, ended.out) == (2, "")
    assert told in ended.err.splitlines()[-1]


def test_a_session_that_is_not_there_or_has_no_trial_ends_with_2(
    run: Daq, record: Callable[..., Path]
) -> None:
    store = record(only_begun)
    told = run("reanalyse", store, "--session", "9")
    assert told.code == 2
    assert told.says_only("no session 9, daq export --table sessions lists them")
    assert run("reanalyse", store).says_only("no session with a trial")
    assert run("reanalyse", store, "--session", "1").says_only("has no trial yet")


def test_parameters_that_do_not_go_together_end_with_2(
    run: Daq, record: Callable[..., Path]
) -> None:
    store = record(all_settled)
    told = run("reanalyse", store, "--rule", "least_s=5000")
    assert (told.code, told.out) == (2, "")
    assert told.says_only("--rule least_s: longest_s ", "expected at least least_s")
    assert ask(store, "SELECT count(*) FROM analyses") == [(1,)]


@pytest.mark.parametrize(
    "words", [("--tol", "flow=0.01"), ("--required", "power", "--required", "flow")]
)
def test_a_channel_that_the_bench_did_not_have_ends_with_2(
    run: Daq, record: Callable[..., Path], words: tuple[str, ...]
) -> None:
    store = record(all_settled)
    told = run("reanalyse", store, *words)
    assert (told.code, told.out) == (2, "")
    assert told.says_only("no channel 'flow', expected one of current, power, velocity")
    assert ask(store, "SELECT count(*) FROM analyses") == [(1,)]


def test_no_store_ends_with_4(run: Daq, tmp_path: Path) -> None:
    told = run("reanalyse", tmp_path / "none.db")
    assert told.code == 4
    assert told.says_only("no results file there")


# ---- sessions of the real daemon on simulated meters; test_session.py has whole ones, on faulty lines and killed

whole_sessions = [pytest.mark.slow, pytest.mark.pty, pytest.mark.timeout(300)]
SUBTRACT = ('name = "velocity"', 'name = "velocity"\nsubtract_idle = true')
START = '[start]\nchannel = "current"\non_above = 0.15\noff_below = 0.05\n'


@pytest.fixture
def simulated(
    tmp_path: Path,
) -> Iterator[Callable[..., tuple[BenchFolder, Simulators]]]:
    begun: list[Simulators] = []

    def start(
        scenario: str, *options: str, seed: int, alone: bool = False
    ) -> tuple[BenchFolder, Simulators]:
        bench = BenchFolder(tmp_path, scenario)
        bench.edit("bench.toml", *SUBTRACT)
        begun.append(Simulators(bench, *options, seed=seed, alone=alone))
        return bench, begun[-1]

    yield start
    for simulators in begun:
        simulators.stop()


class TestWholeSessions:
    pytestmark = whole_sessions

    def test_a_trial_started_by_hand_comes_out_the_same_to_the_bit(
        self, simulated: Callable[..., tuple[BenchFolder, Simulators]]
    ) -> None:
        bench, simulators = simulated("filters", seed=9, alone=True)
        bench.edit("plan.toml", START, "")
        terminal = Terminal(run_command(bench))
        bench.wait_for(
            lambda s: (
                s["stage"]["name"] == "waiting"
                and all(i["state"] == "ok" for i in s["instruments"])
            )
        )
        simulators.say("fit no filter")
        simulators.say("on")
        terminal.press(b"\r")
        bench.wait_for(lambda s: s["stage"]["name"] == "done")
        simulators.say("off")
        terminal.press(b"\r")
        bench.wait_for(lambda s: s["stage"]["name"] == "waiting")
        terminal.signal(signal.SIGINT)
        assert terminal.finish() == 130
        facts = reanalysed(bench.store)
        assert facts["reproduced"] is True
        trials = facts["trials"]
        assert [t["after"]["state"] for t in trials] == ["finished"]

    def test_a_zero_measured_before_the_trial_comes_out_the_same_to_the_bit(
        self, simulated: Callable[..., tuple[BenchFolder, Simulators]]
    ) -> None:
        bench, simulators = simulated("filters", seed=10, alone=True)
        run = Run(bench)
        began = bench.wait_for(
            lambda s: all(i["state"] == "ok" for i in s["instruments"])
        )
        simulators.say("fit no filter")
        # The machine stands still for longer than the zero is averaged over.
        enough_s = began["clock"]["now_s"] + 80.0
        bench.wait_for(lambda s: s["clock"]["now_s"] > enough_s)
        simulators.say("on")
        bench.wait_for(lambda s: s["stage"]["name"] == "done")
        simulators.say("off")
        bench.wait_for(lambda s: s["stage"]["name"] == "waiting")
        run.signal(signal.SIGTERM)
        assert run.finish(within_s=15)[0] == 143
        facts = reanalysed(bench.store, code=0)
        assert facts["reproduced"] is True
        zeros = (
            "SELECT channel, detail FROM contributions"
            " WHERE name = 'zero' AND analysis_id = {}"
        )
        ((channel, detail),) = ask(bench.store, zeros.format(1))
        assert channel == "velocity"
        assert [(channel, detail)] == ask(bench.store, zeros.format(0))
