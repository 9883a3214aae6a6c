"""Sessions taken in hand and put away: by a service that was killed, on another day, while the bench is read all the time."""

from pathlib import Path

import pytest

from daq.checklist.kept import Entry
from daq.config.bench import Bench
from daq.config.checked_subjects import check_subjects
from daq.errors import OperationRefusedError, Refusal
from daq.operations import Note, Repeat, SameAsBefore, Start, Stop
from daq.records import Gap, GapReason
from daq.runtime.snapshot import PartLine
from daq.runtime.walk_file import checks_path, save_entries
from daq.trials.stages import Stage
from tests.runtime.attended_bench import AttendedBench, attended
from tests.runtime.conftest import PLAN, Computer

START = Start("leads")
SAME = SameAsBefore(machine=True, meters=True, room=True)
START_THE_SAME = Start("leads", same=SAME)
NIGHT_S = 8 * 3600.0


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    # Its baseline stands last, so that calling for it first is seen.
    text = PLAN.replace('baseline = "short lead"', 'baseline = "long lead"')
    (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
    return tmp_path


async def one_trial(folder: Path, bench: Bench, computer: Computer) -> None:
    """A session is started, one trial of it is made, and the program is killed."""
    async with attended(folder, bench, computer) as service:
        await service.ask(START)
        await service.measure()


def lines(service: AttendedBench) -> list[tuple[int, str]]:
    return [(line.position, line.condition) for line in service.session.order]


# ---- what was checked before it

CHECKS = "SELECT session_id, text FROM events WHERE kind = 'check' ORDER BY id"


def keep_checks(service: AttendedBench, bench: Bench) -> None:
    """One measured, one acknowledged, one of another bench."""
    utc = service.clock.utc_text()
    subjects = check_subjects(bench)
    zero = Entry(
        "zero:velocity",
        subjects["zero:velocity"].about,
        "measured",
        utc,
        {"mean": 0.01, "expanded_uncertainty": 0.0057},
    )
    hold = Entry("hold", subjects["hold"].about, "yes", utc)
    other = Entry("isolation:meter", "meter on /dev/other", "yes", utc)
    save_entries(checks_path(service.path), (zero, hold, other))


async def test_what_was_checked_and_holds_goes_into_the_sessions_record(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        keep_checks(service, bench)
        utc, subjects = service.clock.utc_text(), check_subjects(bench)
        await service.ask(START)
        kept = service.rows(CHECKS)
        assert kept == [
            (1, f"hold: yes, {utc}; {subjects['hold'].about}"),
            (
                1,
                f"zero:velocity: measured, {utc}: mean = 0.01, expanded_uncertainty = 0.0057;"
                f" {subjects['zero:velocity'].about}",
            ),
        ]
        # Screens have other things to show.
        assert service.told("check") == []
        # Going on with it the same day adds nothing.
        await service.measure()
        await service.ask(Stop())
        await service.ask(START)
        assert service.rows(CHECKS) == kept


async def test_a_session_of_another_day_has_only_the_checks_that_still_hold(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        keep_checks(service, bench)
        computer.pass_s(24 * 3600.0)
        await service.ask(START)
        assert service.rows(CHECKS) == []


async def test_a_damaged_file_of_checks_keeps_no_session_from_beginning(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        checks_path(service.path).write_text("format = [", encoding="utf-8")
        assert (await service.ask(START)).startswith("Session 1 begins")
        ((number, text),) = service.rows(CHECKS)
        assert number == 1
        assert "bench.checks.toml: cannot be read: no valid TOML" in str(text)


# ---- taken up by itself


async def test_a_fresh_bench_is_idle(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        assert await service.desk.take_up() == "The bench is idle."
        assert service.desk.running is None


async def test_a_session_in_hand_when_the_program_was_killed_is_taken_up(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    await one_trial(folder, bench, computer)
    async with attended(folder, bench, computer) as service:
        words = await service.desk.take_up()
        assert words.startswith("Session 1 goes on: 1 of 2 trials are done.")
        assert service.running.facts.number == 1


async def test_a_session_that_was_left_is_not_taken_up(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await service.ask(START)
        await service.ask(Stop())
    async with attended(folder, bench, computer) as service:
        assert await service.desk.take_up() == "The bench is idle."


async def test_a_finished_session_that_was_not_put_away_is_shown_and_can_be_asked_for_more(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await service.ask(START)
        for _ in range(2):
            await service.measure()
    async with attended(folder, bench, computer) as service:
        await service.desk.take_up()
        assert service.board.snapshot().stage.name == "finished"
        assert service.rows("SELECT state FROM sessions") == [("finished",)]
        await service.ask(Repeat(1))
        assert service.rows("SELECT state FROM sessions") == [("open",)]
        await service.measure()
        assert service.rows("SELECT state FROM sessions") == [("finished",)]
        await service.ask(Stop())
    async with attended(folder, bench, computer) as service:
        assert await service.desk.take_up() == "The bench is idle."


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("least_s = 30", "least_s = 40"), "the plan, or a channel of the bench"),
        (('required = ["power"]', 'required = ["torque"]'), "no plan 'leads'"),
        (('name = "leads"', 'name = "hoses"'), "no plan 'leads'"),
    ],
)
async def test_a_session_that_cannot_go_on_by_itself_says_why_and_the_bench_is_idle(
    folder: Path, bench: Bench, computer: Computer, change: tuple[str, str], words: str
) -> None:
    await one_trial(folder, bench, computer)
    file = folder / "plan.toml"
    text = file.read_text(encoding="utf-8")
    assert change[0] in text
    file.write_text(text.replace(*change), encoding="utf-8")
    async with attended(folder, bench, computer) as service:
        told = await service.desk.take_up()
        assert told.startswith("Session 1 cannot go on by itself: ")
        assert words in told
        assert service.desk.running is None
        assert service.board.snapshot().stage.name == "idle"


# ---- another day


async def test_on_another_day_the_service_waits_to_be_told_that_all_is_the_same(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    await one_trial(folder, bench, computer)
    computer.pass_s(NIGHT_S)
    async with attended(folder, bench, computer) as service:
        words = await service.desk.take_up()
        assert words.startswith("Session 1 was in hand on another day")
        assert service.desk.running is None
        with pytest.raises(OperationRefusedError) as caught:
            await service.ask(START)
        assert caught.value.code is Refusal.ANOTHER_DAY
        other = SameAsBefore(machine=True, meters=True, room=False)
        with pytest.raises(OperationRefusedError, match="another room") as caught:
            await service.ask(Start("leads", same=other))
        assert caught.value.code is Refusal.NOT_THE_SAME
        assert service.desk.running is None


async def test_on_another_day_a_baseline_comes_first(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    text = PLAN.replace('[[condition]]\nname = "long lead"', THREE)
    (folder / "plan.toml").write_text(text, encoding="utf-8")
    await one_trial(folder, bench, computer)
    computer.pass_s(NIGHT_S)
    async with attended(folder, bench, computer) as service:
        await service.ask(START_THE_SAME)
        assert service.called_for == "short lead"
        added = [(1, "short lead"), (4, "short lead"), (2, "thin lead")]
        assert lines(service)[:3] == added
        await service.measure()
        assert service.called_for == "thin lead"
    # It is today's session now, with its baseline in the order.
    async with attended(folder, bench, computer) as service:
        await service.desk.take_up()
        assert lines(service)[:3] == added
        assert service.called_for == "thin lead"


THREE = """[[condition]]
name = "thin lead"
[[condition]]
name = "long lead\""""


async def test_a_session_that_was_taken_up_today_goes_on_by_itself_before_any_trial(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    await one_trial(folder, bench, computer)
    computer.pass_s(NIGHT_S)
    async with attended(folder, bench, computer) as service:
        await service.ask(START_THE_SAME)
    async with attended(folder, bench, computer) as service:
        words = await service.desk.take_up()
        assert words.startswith("Session 1 goes on: 1 of 3 trials are done.")
        assert service.called_for == "short lead"
        assert len(lines(service)) == 3


async def test_where_the_baseline_is_called_for_anyway_none_is_added(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    await one_trial(folder, bench, computer)
    computer.pass_s(NIGHT_S)
    async with attended(folder, bench, computer) as service:
        await service.ask(START_THE_SAME)
        assert service.called_for == "long lead"
        assert len(lines(service)) == 2


# ---- what is kept between sessions


async def test_readings_between_sessions_belong_to_none(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        service.read(0.0, 1.0)
        await service.ask(Note("before"))
        await service.ask(START)
        service.read(0.0, 2.0)
        service.take(Gap("meter", service.clock.bench_s(), GapReason.NO_REPLY))
        await service.ask(Note("within"))
        await service.ask(Stop())
        service.read(0.0, 3.0)
        await service.ask(Note("after"))
        assert service.rows(
            "SELECT session_id, text FROM events WHERE kind = 'note' ORDER BY id"
        ) == [
            (None, "Note from the page: before"),
            (1, "Note from the page: within"),
            (None, "Note from the page: after"),
        ]
        assert service.rows("SELECT power_w FROM readings_meter ORDER BY at_s") == [
            *((1.0,), (2.0,), (3.0,))
        ]


async def test_a_trial_that_begins_while_the_store_fails_is_marked(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await service.ask(START)
        service.board.store = PartLine("failing", "bench.db: the disk is full.")
        await service.measure()
        ((note,),) = service.rows("SELECT note FROM trials")
        assert "could not be written for a while" in str(note)


async def test_a_machine_that_runs_too_long_is_told_once(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await service.ask(START)
        service.stand_still()
        service.run_until(Stage.DONE)
        computer.pass_s(300.0)
        for _ in range(5):
            service.desk.tick(service.clock.bench_s())
            computer.pass_s(1.0)
        assert len(service.told("alarm")) == 1
