"""Which channel is taken for a role: the bench's own before typed and imported ones, one instrument's together."""

from dataclasses import replace

import pytest

from daq.comparison.derived import derive_quantities
from daq.comparison.electrical import electrical_derivations
from daq.comparison.lead_measuring import measure_loop
from daq.comparison.lead_readings import Stretch, TrialEdges
from daq.comparison.nameplate import compare_nameplate
from daq.comparison.observations import Quantity
from daq.comparison.rules import Nameplate, Surroundings
from daq.comparison.session import answer_of, compare_session
from daq.comparison.trial_inputs import Derivation, TrialInputs
from daq.prediction.selection import select
from daq.records import Channel
from tests.core.comparison.observed import channel, observation
from tests.core.comparison.sessions import figures_of

V = channel("voltage", "V")
I = channel("current", "A")  # noqa: E741 - the symbol of a current
P = channel("power", "W")
LOGGED = {"log_power": 1100.0, "log_voltage": 229.0, "log_current": 5.1}


def of(instrument: str, name: str, unit: str, place: str = "machine end") -> Channel:
    return replace(channel(name, unit, place), instrument=instrument)


LOG_P, LOG_V, LOG_I = (
    of("log", name, unit) for name, unit in zip(LOGGED, ("W", "V", "A"), strict=True)
)


def derived(
    means: dict[Channel, float], second_choice: frozenset[str] = frozenset(LOGGED)
) -> dict[str, Derivation]:
    observations = {c.name: (observation(mean),) for c, mean in means.items()}
    inputs = TrialInputs(tuple(means), observations, (), second_choice)
    return {d.quantity.name: d for d in electrical_derivations(inputs)}


def value(found: Derivation) -> float:
    return found.observations[0].mean


def test_an_imported_power_does_not_take_the_place_of_the_bench_s_own() -> None:
    # The log's comes first by its name; 1000 W over 230 V times 5 A is 0.8696, 1100 W would make 0.9565.
    found = derived({LOG_P: 1100.0, V: 230.0, I: 5.0, P: 1000.0})["power_factor"]
    assert value(found) == pytest.approx(1000.0 / 1150.0)
    assert found.quantity.choice == "power, not log_power"


def test_the_bench_s_own_channels_at_the_supply_come_before_an_imported_power() -> None:
    at_supply = [replace(c, place="supply end", name=f"mains_{c.name}") for c in (V, P)]
    found = derived(
        {V: 225.0, I: 5.0, at_supply[0]: 230.0, at_supply[1]: 1000.0, LOG_P: 1100.0}
    )
    assert found["power_factor"].quantity.place == "supply end"
    assert value(found["power_factor"]) == pytest.approx(1000.0 / 1150.0)


def test_an_imported_power_is_taken_where_there_is_no_other() -> None:
    found = derived({LOG_P: 1100.0, V: 230.0, I: 5.0})
    assert value(found["power_factor"]) == pytest.approx(1100.0 / 1150.0)
    assert found["power_factor"].quantity.choice == ""


def test_one_instrument_with_all_three_comes_before_a_mixture() -> None:
    found = derived({V: 230.0, I: 5.0, LOG_V: 229.0, LOG_I: 5.1, LOG_P: 1100.0})
    assert value(found["power_factor"]) == pytest.approx(1100.0 / (229.0 * 5.1))
    # What the bench reads itself makes the apparent power all the same.
    assert value(found["apparent_power"]) == pytest.approx(1150.0)
    assert (
        found["apparent_power"].quantity.choice
        == "voltage, not log_voltage; current, not log_current"
    )


def test_of_the_bench_s_own_instruments_one_that_reads_all_comes_first() -> None:
    alone = of("ammeter", "a_current", "A")
    found = derived({alone: 5.2, V: 230.0, I: 5.0, P: 1000.0})["power_factor"]
    assert value(found) == pytest.approx(1000.0 / 1150.0)
    assert found.quantity.choice == "current, not a_current"


def test_an_imported_power_factor_keeps_nothing_from_being_derived() -> None:
    shown = of("log", "log_factor", "1")
    means = {shown: 0.9, V: 230.0, I: 5.0, P: 1000.0}
    assert "power_factor" in derived(means, frozenset({"log_factor"}))
    assert "power_factor" not in derived(means, frozenset())


def test_a_voltage_drop_is_that_of_the_bench_s_own_voltmeters() -> None:
    supply = channel("supply_voltage", "V", "supply end")
    logged = of("log", "log_voltage", "V", "supply end")
    drop = derived({logged: 240.0, supply: 230.0, V: 225.0})["voltage_drop"]
    assert value(drop) == pytest.approx(5.0)
    assert drop.quantity.choice == "supply_voltage, not log_voltage"


def test_an_imported_channel_with_the_name_of_what_is_derived_is_told() -> None:
    logged = of("log", "power_factor", "1")
    means = {V: 230.0, I: 5.0, P: 1000.0, logged: 0.9}
    *_, remarks = derive_quantities(
        list(means),
        Surroundings(),
        {c.name: (observation(mean),) for c, mean in means.items()},
        second_choice={"power_factor"},
    )
    assert any("power_factor is not derived" in remark for remark in remarks)


def test_a_typed_channel_that_was_never_averaged_stands_in_nobody_s_way() -> None:
    means = {V: 230.0, I: 5.0, P: 1000.0}
    quantities, _, remarks = derive_quantities(
        list(means),
        Surroundings(),
        {c.name: (observation(mean),) for c, mean in means.items()},
        second_choice={"power_factor"},
    )
    assert "power_factor" in [each.name for each in quantities]
    assert not any("is not derived" in remark for remark in remarks)


OWN_POWER = Quantity("power", "Power", "power", "W", "supply end")
LOG_POWER = Quantity("log_power", "Log power", "power", "W", "machine end")
FIGURES = figures_of(
    {LOG_POWER: {"bare": [1100.0]}, OWN_POWER: {"bare": [1000.0]}},
    second_choice=frozenset({"log_power"}),
)


def test_the_answer_is_about_what_the_bench_read() -> None:
    assert answer_of(FIGURES) == "power"
    flow = Quantity("log_flow", "Log flow", "airflow", "m3/h")
    with_flow = figures_of(
        {flow: {"bare": [100.0]}, OWN_POWER: {"bare": [1000.0]}},
        second_choice=frozenset({"log_flow"}),
    )
    assert answer_of(with_flow) == "power"


def test_the_nameplate_is_held_against_what_the_bench_read() -> None:
    facts = replace(FIGURES.facts, nameplate=Nameplate(power_w=1000.0))
    compared = compare_session(replace(FIGURES, facts=facts))
    (check,) = compare_nameplate(compared).checks
    assert check.quantity.name == "power"


def test_a_prediction_is_made_of_what_the_bench_read() -> None:
    found = select(FIGURES).channel("power", "machine end", "supply end")
    assert found is not None
    assert found.quantity.name == "power"


def test_a_lead_is_measured_with_the_bench_s_own_ammeter() -> None:
    times_s = tuple(float(t) for t in range(-60, 130))
    on = [0.0 <= t < 100.0 for t in times_s]

    def readings(loaded: float, idle: float = 0.0) -> Stretch:
        return Stretch(times_s, tuple(loaded if each else idle for each in on))

    supply = channel("supply_voltage", "V", "supply end")
    logged = of("log", "log_current", "A")
    own = channel("own_current", "A", "supply end")
    edges = TrialEdges(
        1,
        "long lead",
        0.0,
        100.0,
        (logged, V, supply, own),
        {
            "log_current": readings(10.0),
            "voltage": readings(225.0, 230.0),
            "supply_voltage": readings(230.0, 230.0),
            "own_current": readings(5.0),
        },
        frozenset({"log_current"}),
    )
    measurement = measure_loop(edges, None).measurement
    assert measurement is not None
    assert measurement.current_a == pytest.approx(5.0)
