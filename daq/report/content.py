"""What a page is made of. The command line fills it; what is missing says why.

Figures with units are in those of their channel; times count from a trial's switch-on.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from daq.comparison.session import SessionComparison
from daq.records import Channel, Contribution

Fact = tuple[str, str]
"""What a thing is called, and what it is."""
INSTRUCTION = "how to fit it"
"""What the plan's words to the operator are called; they are a note."""


class Topic(StrEnum):
    """What may be found out besides the comparison itself, under its heading."""

    NAMEPLATE = "Against the nameplate"
    LEADS = "The leads"
    PREDICTION = "What another lead would do"
    CONVEYING = "What it means for conveying"
    PRICE = "What it costs"
    DRIFT = "Did anything drift?"


@dataclass(frozen=True, slots=True)
class Finding:
    """What one topic comes to.

    Attributes:
        sentences: For people, each whole; above the table.
        table: Rows of texts, the heading first; empty for none.
        notes: Sentences below it.
        sources: What it rests on.
        absent: Why there is nothing; empty where there is something.
    """

    sentences: tuple[str, ...] = ()
    table: tuple[tuple[str, ...], ...] = ()
    notes: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    absent: str = ""


@dataclass(frozen=True, slots=True)
class Caution:
    """Something to beware of.

    Attributes:
        text: What was found, what it may mean, what to do.
        basis: On what it rests.
        is_warning: More than a caution: something exceeds its rating.
    """

    text: str
    basis: str = ""
    is_warning: bool = False


@dataclass(frozen=True, slots=True)
class FittedCurve:
    """How a quantity depends on the voltage at the machine.

    Attributes:
        quantity: Name.
        voltages_v: From the lowest to the highest measured [V].
        values: Fitted [unit of the quantity].
        low, high: Edges of what the fit leaves open at 95 % [unit of the quantity].
    """

    quantity: str
    voltages_v: tuple[float, ...]
    values: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Instrument:
    """A meter of the bench.

    Attributes:
        name: On the bench.
        profile: Its kind.
        port: Where it is plugged in; empty where that is not told.
        place: What it measures at.
        interval_s: Asked every so often [s]; None where it speaks by itself.
        is_typed: It has no port: the operator types what it shows.
        log: Name of the file that it kept its readings in itself; empty where it was read.
        clock: How that log's clock was set, a phrase without a full stop.
    """

    name: str
    profile: str
    port: str = ""
    place: str = ""
    interval_s: float | None = None
    is_typed: bool = False
    log: str = ""
    clock: str = ""


@dataclass(frozen=True, slots=True)
class Checked:
    """One item of what was walked through before the session.

    Attributes:
        item: Its name, as options have it.
        answer: As it was given, or what was measured.
        utc: When, RFC 3339; empty where that is not told.
        about: Which meters or channels.
    """

    item: str
    answer: str
    utc: str = ""
    about: str = ""


@dataclass(frozen=True, slots=True)
class ChannelTrace:
    """What one channel read during a trial, and what it was averaged to.

    Attributes:
        name: Of the channel.
        title: For people.
        unit: As on the bench.
        elapsed_s: From switch-on [s].
        values: [unit].
        mean: As it was stored [unit]; None where it was not averaged.
        expanded_uncertainty: 95 % [unit].
        level: The same as the readings have it, before a zero was taken off or a voltage allowed for [unit].
    """

    name: str
    title: str
    unit: str
    elapsed_s: NDArray[np.float64]
    values: NDArray[np.float64]
    mean: float | None = None
    expanded_uncertainty: float = 0.0
    level: float | None = None


@dataclass(frozen=True, slots=True)
class TrialTrace:
    """One trial as it went.

    Attributes:
        number: Of the trial in its store.
        condition: What was fitted.
        repeat: For the how-manieth time.
        state: One of records.TrialState.
        run_up_s: Until the run-up was over [s]; None where nobody noted it.
        window_s: Start and end of what was averaged [s]; None where nothing was.
        channels: Those that the trial waited for.
        note: Why it ended as it did; empty where that is not told.
    """

    number: int
    condition: str
    repeat: int
    state: str
    run_up_s: float | None
    window_s: tuple[float, float] | None
    channels: tuple[ChannelTrace, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Budget:
    """What the uncertainty of one average is made of.

    Attributes:
        channel: Name.
        title: For people.
        unit: As on the bench.
        trial: Whose average, by number.
        mean: [unit].
        std_uncertainty: Combined [unit].
        contributions: [unit]; empty where they were not recorded.
    """

    channel: str
    title: str
    unit: str
    trial: int
    mean: float
    std_uncertainty: float
    contributions: tuple[Contribution, ...]


@dataclass(frozen=True, slots=True)
class ReportContent:
    """Everything on the page.

    Attributes:
        comparison: The session compared.
        instruments: Of the bench.
        channels: Of the bench, as they were described when it was carried out.
        plan: How the session was to go.
        checked: What was walked through before it, in the order of the record.
        rule: The settling rule's parameters.
        traces: Each trial as it went; empty where the readings cannot be had.
        budgets: Of the baseline's first trial that counts.
        findings: By topic.
        cautions: What to beware of, by what was measured.
        unchecked: What could not be checked for cautions, phrases without a full stop.
        curves: How quantities follow the voltage at the machine.
        machine_voltage: Name of the voltage measured at the machine; empty for none.
        commands: With which the same comes out again.
        software: Name and version that made the page.
        host: Of the computer; empty where that is not told.
        store: The results file as it was named.
        speed: [1] bench seconds a real second.
        is_published: Made to be handed on: what is private was left out.
    """

    comparison: SessionComparison
    instruments: tuple[Instrument, ...] = ()
    channels: tuple[Channel, ...] = ()
    plan: tuple[Fact, ...] = ()
    checked: tuple[Checked, ...] = ()
    rule: tuple[Fact, ...] = ()
    traces: tuple[TrialTrace, ...] = ()
    budgets: tuple[Budget, ...] = ()
    findings: Mapping[Topic, Finding] = field(default_factory=dict)
    cautions: tuple[Caution, ...] = ()
    unchecked: tuple[str, ...] = ()
    curves: tuple[FittedCurve, ...] = ()
    machine_voltage: str = ""
    commands: tuple[str, ...] = ()
    software: str = ""
    host: str = ""
    store: str = ""
    speed: float = 1.0
    is_published: bool = False
