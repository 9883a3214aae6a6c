"""A wrong lead is noticed while the machine runs, by the resistance that the session's own readings give."""

import pytest

from daq.comparison.lead_watch import LeadWatch, unwatched
from daq.comparison.rules import ConditionFacts, LeadFacts
from daq.records import Accuracy, Channel

CONDITIONS = (
    ConditionFacts("short", lead=LeadFacts(area_mm2=2.5, length_m=0.5)),
    ConditionFacts("thick", ("lead",), lead=LeadFacts(area_mm2=2.5, length_m=25.0)),
    ConditionFacts("thin", ("lead",), lead=LeadFacts(area_mm2=1.0, length_m=40.0)),
)
# Copper of nominal area, 20 °C, there and back: 2 L rho / A with 1/58 ohm mm²/m (IEC 60028).
LOOPS = {"short": 0.0069, "thick": 0.3448, "thin": 1.3793}
CURRENT_A = 8.0


def channel(name, quantity, unit, place):
    accuracy = Accuracy(percent_of_reading=0.2, counts=1, resolution=0.01)
    return Channel(name, name, quantity, unit, place, "meter", 0, accuracy, 1.0)


SUPPLY = channel("supply", "voltage", "V", "supply end")
MACHINE = channel("machine", "voltage", "V", "machine end")
CURRENT = channel("current", "current", "A", "machine end")
POWER = channel("power", "power", "W", "machine end")
ALL = (SUPPLY, MACHINE, CURRENT, POWER)


class Bench:
    """Feeds a watch second by second; the supply moves a little, so that scatter is not nothing."""

    def __init__(self, channels=ALL, conditions=CONDITIONS, *, every_s=1, factors=()):
        self.every_s = every_s
        self.factors = dict(factors)
        self.now_s = 0.0
        self.channels = {c.name for c in channels}
        self.watch = LeadWatch(channels, conditions, baseline="short")
        self.said = []

    def seconds(self, count, *, loop_ohm, current_a):
        for _ in range(count):
            self.now_s += 1.0
            wobble = 0.01 * (self.now_s % 3.0)
            machine_v = 230.0 + wobble - loop_ohm * current_a
            values = {
                "supply": 230.0 + wobble,
                "machine": machine_v,
                "current": current_a,
                "power": machine_v * current_a,
            }
            is_due = self.now_s % self.every_s == 0.0
            for name in self.channels & set(values) if is_due else ():
                shown = values[name] * self.factors.get(name, 1.0)
                self.watch.feed(name, self.now_s, shown)
            if said := self.watch.warning(self.now_s):
                self.said.append((self.now_s, said.text))

    def trial(
        self,
        called_for,
        *,
        fitted,
        seconds=100,
        pause_s=40,
        told_late_s=0,
        is_finished=True,
    ):
        """Idle, run, and the machine is off; the pause before the next one belongs to that one."""
        self.seconds(pause_s, loop_ohm=LOOPS[fitted], current_a=0.0)
        self.seconds(told_late_s, loop_ohm=LOOPS[fitted], current_a=CURRENT_A)
        on_s = self.now_s
        self.watch.machine_on(called_for, on_s)
        self.seconds(seconds, loop_ohm=LOOPS[fitted], current_a=CURRENT_A)
        self.watch.machine_off(self.now_s, is_finished=is_finished)
        return on_s


def test_another_lead_of_the_plan_is_named_once_and_before_minutes_are_spent():
    bench = Bench()
    on_s = bench.trial("thick", fitted="thin")
    ((at_s, said),) = bench.said
    assert at_s - on_s <= 60.0
    assert "'thin' seems to be fitted instead of 'thick'" in said
    assert "switch off, pull the plug" in said
    # 50 m of copper of 2.5 mm²: 17.241/2.5 ohm/km (IEC 60028) to 7.98 ohm/km (IEC 60228, class 5) and 0.02 ohm of contacts.
    assert "0.345 to 0.419 ohm are expected" in said


@pytest.mark.parametrize("called_for", ["short", "thick", "thin"])
def test_the_right_lead_is_left_in_peace(called_for):
    bench = Bench()
    bench.trial(called_for, fitted=called_for)
    assert bench.said == []


def test_the_next_trial_is_asked_about_anew():
    bench = Bench()
    bench.trial("thick", fitted="thick")
    bench.trial("thin", fitted="thick")
    ((_, said),) = bench.said
    assert "'thick' seems to be fitted instead of 'thin'" in said


def test_with_one_voltmeter_the_baselines_trial_makes_it_possible():
    bench = Bench((MACHINE, CURRENT, POWER))
    bench.trial("short", fitted="short")
    bench.trial("thick", fitted="thin")
    ((_, said),) = bench.said
    assert "'thin' seems to be fitted instead of 'thick'" in said


def test_with_one_voltmeter_and_no_baseline_yet_nothing_is_said():
    bench = Bench((MACHINE, CURRENT, POWER))
    bench.trial("thick", fitted="thin")
    assert bench.said == []


def test_a_voltage_at_the_supplys_end_alone_says_nothing_of_the_lead():
    bench = Bench((SUPPLY, CURRENT, POWER))
    bench.trial("thick", fitted="thin")
    assert bench.said == []
    why = unwatched((SUPPLY, CURRENT), CONDITIONS, baseline="short")
    assert "supply's end alone says nothing" in why


def test_a_machine_switched_off_early_is_not_asked_about():
    bench = Bench()
    bench.trial("thick", fitted="thin", seconds=20)
    assert bench.said == []


@pytest.mark.parametrize("channels", [ALL, (MACHINE, CURRENT, POWER)])
def test_a_short_pause_leaves_the_trial_before_out_of_it(channels):
    bench = Bench(channels)
    for name in ("short", "thick", "thin", "thick"):
        bench.trial(name, fitted=name, pause_s=14, seconds=200)
    assert bench.said == []
    bench.trial("thin", fitted="thick", pause_s=14)
    ((_, said),) = bench.said
    assert "'thick' seems to be fitted instead of 'thin'" in said


def test_a_repeat_of_the_baseline_is_judged_by_itself():
    bench = Bench()
    bench.trial("short", fitted="short")
    bench.trial("short", fitted="thin")
    ((_, said),) = bench.said
    assert "'thin' seems to be fitted instead of 'short'" in said


def test_a_baseline_that_was_broken_off_is_nothing_to_hold_others_against():
    bench = Bench((MACHINE, CURRENT, POWER))
    bench.trial("short", fitted="thin", is_finished=False)
    bench.trial("short", fitted="short")
    bench.trial("thick", fitted="thick")
    assert bench.said == []
    bench.trial("thin", fitted="thick")
    assert len(bench.said) == 1


def test_a_baseline_with_the_wrong_lead_is_nothing_to_hold_others_against_once_that_is_known():
    bench = Bench()
    bench.trial("short", fitted="thin")
    bench.trial("short", fitted="short")
    bench.trial("thick", fitted="thick")
    assert len(bench.said) == 1


def test_with_one_voltmeter_a_long_pause_forgets_no_baseline():
    bench = Bench((MACHINE, CURRENT, POWER))
    bench.trial("short", fitted="short", seconds=300)
    bench.trial("thick", fitted="thin", pause_s=600)
    ((_, said),) = bench.said
    assert "look whether that had the right lead, too" in said


def test_with_one_voltmeter_and_an_unknown_baseline_nothing_is_said():
    bare = (ConditionFacts("short"), *CONDITIONS[1:])
    bench = Bench((MACHINE, CURRENT, POWER), bare)
    bench.trial("short", fitted="thick")
    bench.trial("thick", fitted="thick")
    assert bench.said == []
    why = unwatched((MACHINE, CURRENT), bare, baseline="short")
    assert "does not state size and length of that one" in why


@pytest.mark.parametrize("told_late_s", [1, 5, 20, 90])
def test_a_key_that_is_pressed_late_accuses_no_right_lead(told_late_s):
    bench = Bench()
    bench.trial("thin", fitted="thin", told_late_s=told_late_s)
    assert bench.said == []


def test_a_key_that_is_pressed_late_hides_no_wrong_lead():
    bench = Bench()
    bench.trial("thick", fitted="thin", told_late_s=5)
    assert len(bench.said) == 1


def test_a_meter_that_is_read_every_five_seconds_tells_later():
    bench = Bench(every_s=5)
    on_s = bench.trial("thick", fitted="thin", pause_s=60)
    ((at_s, _),) = bench.said
    assert at_s - on_s <= 95.0


@pytest.mark.parametrize(
    ("channels", "conditions", "words"),
    [
        (ALL, CONDITIONS, ""),
        ((MACHINE,), CONDITIONS, "no current channel"),
        ((CURRENT,), CONDITIONS, "no voltmeter at the machine's end"),
        (ALL, (ConditionFacts("long", ("lead",)),), "size and length"),
        ((CURRENT,), (ConditionFacts("fine", ("filter",)),), ""),
    ],
)
def test_why_nothing_can_be_noticed_is_said_beforehand(channels, conditions, words):
    said = unwatched(channels, conditions, baseline="short")
    assert bool(said) == bool(words)
    assert words in said


def test_an_ammeter_that_falls_silent_at_switch_on_makes_no_warning_and_no_trouble():
    bench = Bench()
    bench.seconds(40, loop_ohm=LOOPS["thin"], current_a=0.0)
    bench.watch.machine_on("thick", bench.now_s)
    bench.channels -= {"current"}
    bench.seconds(100, loop_ohm=LOOPS["thin"], current_a=CURRENT_A)
    bench.watch.machine_off(bench.now_s, is_finished=True)
    assert bench.said == []
    # It speaks again in the next.
    bench.channels |= {"current"}
    bench.trial("thick", fitted="thin")
    assert len(bench.said) == 1


def test_what_can_be_told_is_said_after_thirty_five_seconds_under_load():
    bench = Bench()
    on_s = bench.trial("thick", fitted="thin")
    ((at_s, _),) = bench.said
    assert at_s - on_s == 35.0


def test_a_meter_s_own_unit_makes_no_difference():
    in_ma = channel("current", "current", "mA", "machine end")
    bench = Bench((SUPPLY, MACHINE, in_ma), factors={"current": 1e3})
    bench.trial("thick", fitted="thin")
    ((_, said),) = bench.said
    assert "'thin' seems to be fitted instead of 'thick'" in said
