"""What can be typed, against a rig in driven time and lines that are only noted."""

import json
from dataclasses import dataclass, field

import pytest

from simulators.commands import Commands
from simulators.config import Simulation
from simulators.models.operating import settled_state
from simulators.rig import Rig
from simulators.wires import modbus_rtu
from simulators.wires.paced_line import Counts


@dataclass
class NotedLine:
    done: list[str] = field(default_factory=list)

    @property
    def counts(self) -> Counts:
        return Counts(requests=5, violations=1)

    def plug(self) -> None:
        self.done.append("plug")

    def unplug(self) -> None:
        self.done.append("unplug")


class Desk:
    def __init__(self, simulation: Simulation) -> None:
        self.rig = Rig(simulation, seed=3)
        self.line = NotedLine()
        self.has_quit = False
        self.commands = Commands(self.rig, {"mains": self.line}, quit_=self._quit)

    def type(self, line: str) -> str:
        return self.commands.execute(line)

    def _quit(self) -> None:
        self.has_quit = True


@pytest.fixture
def desk(leads: Simulation) -> Desk:
    return Desk(leads)


def test_a_condition_is_fitted_by_its_name_and_the_machine_switched(desk: Desk) -> None:
    assert desk.type("fit 1.5 mm2, 25 m\n") == "ok 1.5 mm2, 25 m"
    assert desk.type("on") == "ok on"
    assert desk.rig.is_running
    assert desk.type("off") == "ok off"
    assert not desk.rig.is_running


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("fit nothing", "error: condition 'nothing' is not known, expected one of 'at"),
        ("dance", "error: command 'dance', expected one of fit, on, off, fault"),
        ("", "error: command '', expected one of fit"),
        ("on now", "error: got 'now' after the command, expected nothing"),
        ("fault", "error: got 0 words, expected METER KIND [SECONDS]"),
        ("fault x late", "error: meter 'x' is not known, expected one of mains-supply"),
        ("fault outlet-air odd", "error: fault 'odd' is not known, expected one of"),
        ("fault outlet-air foreign", "error: fault foreign on this kind of meter"),
        ("fault outlet-air late -3", "error: got '-3', expected seconds above 0"),
        ("fault outlet-air late x", "error: got 'x', expected seconds above 0"),
        ("clog", "error: got '', expected per cent above 0"),
        ("clog -20", "error: got '-20', expected per cent above 0"),
        ("unplug gas", "error: line 'gas' is not known, expected one of mains"),
    ],
)
def test_a_wrong_command_is_told_what_was_expected(
    desk: Desk, line: str, answer: str
) -> None:
    assert desk.type(line).startswith(answer)


def test_a_condition_is_not_fitted_under_load(desk: Desk) -> None:
    desk.type("on")
    answer = desk.type("fit 1.5 mm2, 25 m")
    assert answer == "error: the machine is on, expected it to be switched off first"


def test_a_filter_can_be_clogged_while_the_machine_runs(filters: Simulation) -> None:
    desk = Desk(filters)
    desk.type("fit fine filter")
    desk.type("on")
    desk.rig.advance(20)

    def velocity() -> float:
        state = json.loads(desk.type("state").removeprefix("ok "))
        found: float = next(
            each["value"] for each in state["now"] if each["quantity"] == "velocity"
        )
        return found

    before = velocity()
    assert desk.type("clog 300") == "ok 300"
    desk.rig.advance(25)
    assert velocity() < 0.9 * before


def test_plugs_are_pulled_and_put_back(desk: Desk) -> None:
    assert desk.type("unplug mains") == "ok mains"
    assert desk.type("plug mains") == "ok mains"
    assert desk.line.done == ["unplug", "plug"]


def test_counts_are_told_for_each_line(desk: Desk) -> None:
    answer = desk.type("counts").removeprefix("ok ")
    assert json.loads(answer) == {"mains": {"requests": 5, "violations": 1}}


def test_quit_asks_for_the_stop(desk: Desk) -> None:
    assert desk.type("quit") == "ok"
    assert desk.has_quit


def test_the_state_tells_what_is_fitted_and_what_the_physics_is_at(desk: Desk) -> None:
    desk.type("fault outlet-air silent 20")
    desk.rig.advance(10)
    state = json.loads(desk.type("state").removeprefix("ok "))
    assert state["condition"] == "at the outlet"
    assert state["running"] is False
    assert state["faults"]["outlet-air"] == "silent"
    now = {(each["place"], each["quantity"]): each["value"] for each in state["now"]}
    assert now["machine end", "current"] == 0
    assert now["machine end", "power factor"] is None
    desk.rig.advance(30)
    state = json.loads(desk.type("state").removeprefix("ok "))
    assert state["faults"]["outlet-air"] == "none"


def test_the_truth_lists_the_settled_values_of_every_condition(
    desk: Desk, leads: Simulation
) -> None:
    truth = json.loads(desk.type("truth").removeprefix("ok "))
    assert (truth["format"], truth["scenario"], truth["seed"]) == (1, "leads", 3)
    entries = {
        (each["condition"], each["place"], each["quantity"]): each
        for each in truth["entries"]
    }
    # Four quantities at each end of the lead, three in the air, four conditions.
    assert len(entries) == 4 * 11
    thin = leads.conditions[3]
    settled = settled_state(leads.parts, thin)
    voltage = entries[thin.name, "machine end", "voltage"]
    assert voltage["value"] == settled.machine_end_v
    assert voltage["unit"] == "V"
    assert entries[thin.name, "outlet", "velocity"]["unit"] == "m/s"


def test_a_meter_on_the_wire_shows_what_the_rig_is_at(desk: Desk) -> None:
    desk.type("on")
    desk.rig.advance(20)
    request = modbus_rtu.with_crc(bytes.fromhex("010400000002"))
    reply = desk.rig.stations["mains-supply-end"].answer(request, desk.rig.now_s)
    assert reply is not None
    assert modbus_rtu.is_intact(reply.data)
    # Between 2 and 6 ms, as the kind of meter is described.
    assert 0.002 <= reply.after_s <= 0.006
    # 228 V +- accuracy lies between 227 and 229: the float begins with 0x4363 or 4364.
    assert reply.data[3:5] in (b"\x43\x63", b"\x43\x64", b"\x43\x65")


def test_a_foreign_reply_carries_an_address_that_was_not_asked(desk: Desk) -> None:
    desk.type("fault mains-machine-end foreign")
    request = modbus_rtu.with_crc(bytes.fromhex("020400000002"))
    reply = desk.rig.stations["mains-machine-end"].answer(request, desk.rig.now_s)
    assert reply is not None
    assert modbus_rtu.is_intact(reply.data)
    assert reply.data[0] not in (0, 2)


def test_a_meter_that_talks_by_itself_answers_nobody(desk: Desk) -> None:
    station = desk.rig.stations["outlet-air"]
    assert station.answer(b"MEAS?\n", 0.0) is None
    spoken = station.speak(0.0)
    assert spoken is not None
    assert spoken.data.startswith(b"V=+0.00 m/s T=+2")


def test_two_runs_with_one_seed_are_the_same(leads: Simulation) -> None:
    runs = []
    for _ in range(2):
        rig = Rig(leads, seed=9)
        rig.switch(on=True)
        rig.advance(7.3)
        station = rig.stations["outlet-air"]
        runs.append((rig.state(), station.speak(rig.now_s)))
    assert runs[0] == runs[1]
