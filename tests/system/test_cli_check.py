"""The command line and its instruments: what `daq check` says of them."""

import json
import os
import re
import tomllib
import tty
from collections.abc import Callable
from fcntl import LOCK_EX, LOCK_NB, flock
from pathlib import Path

import pytest

from tests.system.command_line import Daq, edit
from tests.system.conftest import CONFIGS, Simulator


def test_an_absent_port_is_told_by_check(run: Daq, folder: Path) -> None:
    told = run("check", folder / "bench.toml", "--seconds", "0.1")
    assert (told.code, told.err) == (3, "")
    port = folder / "ports" / "meter"
    assert told.out.count(f"! port {port}: nothing is there, plug the adapter in") == 2
    assert told.out.endswith("\nNot in order: meter, other.\n")


@pytest.mark.pty
def test_a_port_that_another_program_holds_is_told_by_check(
    run: Daq, folder: Path
) -> None:
    far, near = os.openpty()
    tty.setraw(near)
    (folder / "ports").mkdir()
    (folder / "ports" / "meter").symlink_to(os.ttyname(near))
    # As any program that opens a line for itself alone.
    flock(near, LOCK_EX | LOCK_NB)
    told = run("check", folder / "bench.toml", "--seconds", "0.1")
    os.close(far)
    os.close(near)
    assert told.code == 3
    assert "meter: another program holds it, close that program" in told.out


@pytest.mark.pty
@pytest.mark.slow
def test_a_wrong_baud_rate_is_guessed_at_by_check(
    run: Daq, folder: Path, wrong_baud: Callable[[Path], None]
) -> None:
    wrong_baud(folder / "ports" / "meter")
    told = run("check", folder / "bench.toml", "--seconds", "0.5")
    assert told.code == 3
    complaints = [line for line in told.out.splitlines() if line.startswith("  ! ")]
    assert len(complaints) == 2
    for complaint in complaints:
        assert "baud rate" in complaint


@pytest.mark.pty
@pytest.mark.slow
def test_meters_whose_line_has_another_speed_are_sent_to_their_menus_baud_rate(
    run: Daq,
    scenario: Callable[[str], Path],
    simulate: Callable[..., Simulator],
) -> None:
    folder = scenario("leads")
    simulate(folder)
    bench = folder / "bench.toml"
    text = bench.read_text(encoding="utf-8")
    bench.write_text(text.replace('profile = "', 'baud = 9600\nprofile = "'), "utf-8")
    # Longer than the two seconds of silence after which the anemometer's is told.
    told = run("check", bench, "--seconds", "2.5")
    assert told.code == 3
    complaints = [line for line in told.out.splitlines() if line.startswith("  ! ")]
    assert len(complaints) == 3
    for complaint in complaints:
        assert "baud rate" in complaint
    assert told.out.endswith(
        "\nNot in order: meter-supply-end, meter-machine-end, anemometer.\n"
    )


@pytest.mark.slow
def test_a_slow_meter_is_listened_to_for_three_of_its_refreshes(
    run: Daq, folder: Path
) -> None:
    edit(folder / "meter.toml", "refresh_s = 0.1", "refresh_s = 0.3")
    # Three times 0.3 s, and 0.05 s of quiet before the first request.
    told = run("check", folder / "bench.toml", "--seconds", "0.1")
    assert (
        "\nTalking to the meters for 0.95 s and not for 0.1 s,"
        " because meter makes a new value only every 0.3 s …\n" in told.out
    )
    told = run("check", folder / "bench.toml", "--seconds", "1")
    assert "\nTalking to the meters for 1 s …\n" in told.out


def test_as_json_the_files_alone_are_told_with_nothing_heard(
    run: Daq, folder: Path
) -> None:
    told = run("check", folder / "bench.toml", "--files-only", "--json")
    assert (told.code, told.err) == (0, "")
    facts = json.loads(told.out)
    assert (facts["format"], facts["name"], facts["in_order"]) == (1, "bench", None)
    meter, other = facts["instruments"]
    assert (meter["baud"], meter["parity"], meter["unit"]) == (9600, "none", 1)
    assert (meter["readings"], meter["trouble"]) == (None, None)
    (channel,) = meter["channels"]
    assert (channel["name"], channel["unit"], channel["value"]) == ("supply", "V", None)
    assert other["channels"][0]["name"] == "other_volts"


def test_as_json_trouble_is_told_and_nothing_else_is_on_standard_output(
    run: Daq, folder: Path
) -> None:
    told = run("check", folder / "bench.toml", "--seconds", "0.1", "--json")
    assert told.code == 3
    facts = json.loads(told.out)
    assert facts["in_order"] is False
    for instrument in facts["instruments"]:
        assert "nothing is there" in instrument["trouble"]
    assert told.err.startswith("Talking to the meters for ")


@pytest.mark.pty
@pytest.mark.slow
def test_as_json_every_channel_is_told_with_its_value_and_accuracy(
    run: Daq,
    scenario: Callable[[str], Path],
    simulate: Callable[..., Simulator],
) -> None:
    folder = scenario("leads")
    simulate(folder)
    told = run("check", folder / "bench.toml", "--seconds", "1.5", "--json")
    assert told.code == 0
    facts = json.loads(told.out)
    assert facts["in_order"] is True
    meter, _, air = facts["instruments"]
    assert meter["readings"] > 0
    assert meter["reply_s"] > 0
    assert air["reply_s"] is None
    (supply,) = meter["channels"]
    # 230 V in the simulation's file.
    assert supply["value"] == pytest.approx(230, abs=2)
    assert (supply["name"], supply["condition"]) == ("supply_voltage", "ok")
    assert supply["accuracy"]["percent_of_reading"] == 0.3


@pytest.mark.pty
@pytest.mark.slow
def test_check_shows_every_channel_of_meters_that_answer(
    run: Daq,
    scenario: Callable[[str], Path],
    simulate: Callable[..., Simulator],
) -> None:
    folder = scenario("leads")
    simulate(folder)
    bench = folder / "bench.toml"
    text = bench.read_text(encoding="utf-8")
    long_name = "power_of_the_blower_at_its_end"
    bench.write_text(text.replace('name = "power"', f'name = "{long_name}"'), "utf-8")
    told = run("check", folder / "bench.toml", "--seconds", "1.5")
    assert (told.code, told.err) == (0, "")
    assert told.out.endswith("\nEvery meter answers.\n")
    for shown in (
        "supply_voltage",
        "machine_voltage",
        "current",
        long_name,
        "velocity",
    ):
        assert f"\n  {shown} " in told.out
    # 230 V in the simulation's file.
    (line,) = [x for x in told.out.splitlines() if x.startswith("  supply_voltage")]
    assert float(line.split()[1]) == pytest.approx(230, abs=2)
    assert line.endswith("; accuracy ± (0.3 % of reading + 1 count of 0.1) [V]")
    # A long name moves no column: every title begins at the same place.
    lines = [x for x in told.out.splitlines() if "; accuracy" in x]
    columns = [re.match(r"  (\w+) +([^ ]+ [^ ]+)   ", line) for line in lines]
    assert len({found.end() for found in columns if found}) == 1
    assert None not in columns


def test_what_stands_in_the_comments_of_a_shipped_plan_can_be_put_in_force(
    run: Daq, scenario: Callable[[str], Path]
) -> None:
    folder = scenario("leads")
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    in_force = re.sub(r"^# (?=\[|\w+ = )", "", text, flags=re.MULTILINE)
    settings = tomllib.loads(in_force)
    assert settings["settling"]["rule"]
    assert settings["settling"]["normalise"]["voltage"]
    assert settings["averaging"]
    first, *others = settings["condition"]
    assert "changes" not in first
    assert all(condition["changes"] == ["lead"] for condition in others)
    plan.write_text(in_force, encoding="utf-8")
    told = run("check", folder / "bench.toml", plan, "--files-only")
    assert (told.code, told.err) == (0, "")
    assert told.out.endswith(
        f"{plan}: no fault. Normalised to 230 V by supply_voltage: power, velocity.\n"
    )


@pytest.mark.pty
@pytest.mark.slow
def test_check_names_the_one_meter_that_is_silent(
    run: Daq,
    scenario: Callable[[str], Path],
    simulate: Callable[..., Simulator],
) -> None:
    folder = scenario("leads")
    simulate(folder).type("fault mains-machine-end silent")
    told = run("check", folder / "bench.toml", "--seconds", "1.5")
    assert told.code == 3
    assert told.out.endswith("\nNot in order: meter-machine-end.\n")
    assert told.out.count("  ! no reply (no reply within 0.15 s): is it switched") == 1


@pytest.mark.pty
@pytest.mark.slow
def test_check_shows_an_accuracy_that_is_stated_in_parts_and_by_a_certificate(
    run: Daq,
    scenario: Callable[[str], Path],
    simulate: Callable[..., Simulator],
) -> None:
    folder = scenario("leads")
    simulate(folder)
    shipped = CONFIGS / "profiles" / "vane-anemometer-stream.toml"
    parts = "gain_percent = 1.5, offset = 0.05"
    certificate = "certificate = { expanded_uncertainty = 0.2, coverage_factor = 2 }"
    text = shipped.read_text(encoding="utf-8")
    shipped_parts = "gain_percent = 0.7, offset = 0.02, linearity_percent = 0.15"
    assert shipped_parts in text
    text = text.replace(shipped_parts, parts)
    text = text.replace("absolute = 0.5", certificate)
    (folder / "own.toml").write_text(text, encoding="utf-8")
    edit(folder / "bench.toml", '"vane-anemometer-stream"', '"own.toml"')
    told = run("check", folder / "bench.toml", "--seconds", "1.5")
    assert (told.code, told.err) == (0, "")
    assert "; accuracy gain 1.5 % of reading, offset 0.05 [m/s]\n" in told.out
    assert "; accuracy certificate U = 0.2, k = 2 [°C]\n" in told.out


# ---- a plan


def test_every_fault_of_a_plan_is_told_in_one_go(run: Daq, folder: Path) -> None:
    plan = folder / "plan.toml"
    edit(plan, 'baseline = "short lead"', 'baseline = "no lead"')
    edit(plan, 'title = "Blower"', 'title = "Blower"\ncolour = "red"')
    edit(plan, "off_below = 100", "off_below = 100\nleast_off_s = -1")
    edit(
        plan,
        'required = ["supply"]',
        'required = ["suply"]\npreset = "hasty"\ntolerances = { flow = 0.01 }',
    )
    told = run("check", folder / "bench.toml", plan, "--files-only")
    assert (told.code, told.out) == (2, "")
    keys = [line.split(": ")[2] for line in told.err.splitlines()]
    assert sorted(keys) == [
        "baseline",
        "machine.colour",
        "settling.preset",
        "settling.required[1]",
        "settling.tolerances.flow",
        "start.least_off_s",
    ]
    # What follows from another fault is none of its own.
    assert "did you mean 'supply'?" in told.err


def test_a_plan_that_lacks_a_whole_table_is_told_so(run: Daq, folder: Path) -> None:
    edit(folder / "plan.toml", '[settling]\nrequired = ["supply"]\n', "")
    told = run("check", folder / "bench.toml", folder / "plan.toml", "--files-only")
    assert told.code == 2
    fault, more = told.err.splitlines()
    assert fault.endswith("plan.toml:1: settling: missing, expected a value")
    assert more == "daq: more may follow once this is mended"


def test_text_that_is_no_toml_is_told_with_its_line(run: Daq, folder: Path) -> None:
    edit(folder / "plan.toml", "[start]", "[start")
    told = run("check", folder / "bench.toml", folder / "plan.toml", "--files-only")
    assert told.code == 2
    fault, more = told.err.splitlines()
    assert "plan.toml:9: no valid TOML: " in fault
    assert more == "daq: more may follow once this is mended"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('title = "Blower"', 'title = "Blower', 'a quote (") is missing at the end of line 6'),
        ('title = "Blower"', "title = 'Blower", "a quote (') is missing at the end of line 6"),
        ('title = "Blower"', 'title = "Blower  # it is', 'a quote (") is missing in line 6'),
        ('required = ["supply"]', 'required = ["supply]', 'a quote (") is missing in line 14'),
    ],
)  # fmt: skip
def test_a_missing_quote_is_told_as_one_with_its_line(
    run: Daq, folder: Path, old: str, new: str, words: str
) -> None:
    edit(folder / "plan.toml", old, new)
    told = run("check", folder / "bench.toml", folder / "plan.toml", "--files-only")
    assert told.code == 2
    fault, _ = told.err.splitlines()
    line = words.rpartition(" ")[2]
    assert fault.endswith(f"plan.toml:{line}: no valid TOML: {words}")


@pytest.mark.parametrize(
    "new", ['title = """Blower', "title = Blower", 'title = "Blo"wer"']
)
def test_what_is_no_missing_quote_is_not_told_as_one(
    run: Daq, folder: Path, new: str
) -> None:
    edit(folder / "plan.toml", 'title = "Blower"', new)
    told = run("check", folder / "bench.toml", folder / "plan.toml", "--files-only")
    assert told.code == 2
    assert "no valid TOML: " in told.err
    assert "is missing" not in told.err


def _normalising(folder: Path, *, voltage: float, settling: str = "") -> Path:
    """The plan for leads, normalised to a voltage."""
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8").replace("# changes =", "changes =")
    text = text.replace('preset = "standard"', settling or 'preset = "standard"')
    text += (
        '\n[settling.normalise]\nreference = "supply_voltage"\nchannels = ["power"]\n'
    )
    plan.write_text(f"{text}voltage = {voltage}\n", encoding="utf-8")
    return plan


@pytest.mark.parametrize("voltage", [24.0, 2300.0])
def test_a_reference_voltage_that_the_supply_cannot_have_is_refused(
    run: Daq, scenario: Callable[[str], Path], voltage: float
) -> None:
    folder = scenario("leads")
    plan = _normalising(folder, voltage=voltage)
    told = run("check", folder / "bench.toml", plan, "--files-only")
    assert (told.code, told.out) == (2, "")
    # The meter's profile ends at 300 V.
    assert told.says_only(
        f"settling.normalise.voltage: {voltage:g} V is no supply",
        "30 to 300 V with this meter",
    )


def test_a_rule_that_may_end_before_anything_can_be_normalised_is_warned_of(
    run: Daq, scenario: Callable[[str], Path]
) -> None:
    folder = scenario("leads")
    plan = _normalising(folder, voltage=230, settling='preset = "quick"')
    told = run("check", folder / "bench.toml", plan, "--files-only")
    assert told.code == 0
    assert "\n  Caution: normalising needs 20 bins of 2 s, " in told.out
    facts = json.loads(
        run("check", folder / "bench.toml", plan, "--files-only", "--json").out
    )
    assert len(facts["cautions"]) == 1


@pytest.mark.pty
@pytest.mark.slow
def test_a_reference_far_from_what_the_meter_shows_is_warned_of(
    run: Daq,
    scenario: Callable[[str], Path],
    simulate: Callable[..., Simulator],
) -> None:
    folder = scenario("leads")
    simulate(folder)
    plan = _normalising(folder, voltage=120)
    told = run("check", folder / "bench.toml", plan, "--seconds", "1.5")
    assert told.code == 0
    last = told.out.splitlines()[-1]
    assert last.startswith(
        "Caution: the plan normalises to 120 V, but supply_voltage shows 2"
    )
    edit(plan, "voltage = 120", "voltage = 230")
    told = run("check", folder / "bench.toml", plan, "--seconds", "1.5", "--json")
    assert json.loads(told.out)["cautions"] == []


def test_a_meter_that_is_typed_is_told_with_what_is_known_of_it(
    run: Daq, folder: Path
) -> None:
    table = '\n[[typed]]\nname = "inlet"\nquantity = "pressure"\nunit = "Pa"\nresolution = 1.0\nplace = "duct"\n'
    bench = folder / "bench.toml"
    bench.write_text(bench.read_text(encoding="utf-8") + table, encoding="utf-8")
    told = run("check", bench, "--files-only")
    assert (
        "  inlet: Inlet, duct, typed by the operator; accuracy not stated" in told.out
    )
    (typed,) = json.loads(run("check", bench, "--files-only", "--json").out)["typed"]
    assert (typed["name"], typed["value"]) == ("inlet", None)
    bench.write_text(f"{bench.read_text(encoding='utf-8')}accuracy = {{ counts = 2 }}\n", encoding="utf-8")  # fmt: skip
    assert "accuracy ± (2 counts of 1) [Pa]" in run("check", bench, "--files-only").out


@pytest.mark.pty
@pytest.mark.slow
def test_simulators_that_run_faster_than_life_are_checked_at_their_speed(
    run: Daq,
    scenario: Callable[[str], Path],
    simulate: Callable[..., Simulator],
) -> None:
    folder = scenario("leads")
    simulate(folder, "--speed", "6")
    bench = folder / "bench.toml"
    told = run("check", bench, "--seconds", "3", "--speed", "6")
    assert told.code == 0
    refreshes = re.findall(r"every ([\d.]+) s, its profile says ([\d.]+) s", told.out)
    assert refreshes
    for seen_s, stated_s in refreshes:
        # In bench time: not faster than stated by more than the looks can tell, however slow the computer.
        assert float(seen_s) > 0.5 * float(stated_s)
    hint = "(or a simulator runs faster than life: say --speed as it has it)"
    assert hint not in told.out
    hasty = run("check", bench, "--seconds", "3")
    assert hasty.code == 0
    assert hint in hasty.out


@pytest.mark.pty
@pytest.mark.slow
def test_a_value_that_cannot_be_true_may_be_another_meters(
    run: Daq,
    scenario: Callable[[str], Path],
    simulate: Callable[..., Simulator],
) -> None:
    folder = scenario("leads")
    simulate(folder)
    profile = CONFIGS / "profiles" / "ac-meter-float.toml"
    text = profile.read_text(encoding="utf-8")
    # So that the voltage of the mains is beyond what the meter can show.
    low, count = re.subn(r"(?m)^high = .*", "high = 100", text, count=1)
    assert count == 1
    (folder / "narrow.toml").write_text(low, encoding="utf-8")
    edit(folder / "bench.toml", 'profile = "ac-meter-float"', 'profile = "narrow.toml"')
    told = run("check", folder / "bench.toml", "--seconds", "1.5")
    assert told.code == 3
    assert (
        "check address, type, byte order and scale in the profile; or another meter answers: check `unit`"
        in told.out
    )
