"""A first bench and a first plan, as commented text that loads as it is.

    strings     TOML strings of whatever a user types
    meters      which meter stands where, on which line, and what its channels are called
    bench       the bench file
    plan        the plan
    leads       size and length of a lead, where a condition's name says them

What a user typed goes into TOML strings only, never into a comment. Figures that only the bench can tell (a duct's diameter,
the air pressure, limits) stand there as comments, never as live keys: a made-up figure would be believed.
"""

from daq.starting_files.bench import bench_text
from daq.starting_files.meters import (
    Kind,
    LoggedChannel,
    Meter,
    MeterByEye,
    MeterField,
    OfferedPort,
    is_placeholder,
    names_taken,
    place_meters,
)
from daq.starting_files.plan import SWITCHED, logged_plan_text, plan_text

__all__ = [
    "SWITCHED",
    "Kind",
    "LoggedChannel",
    "Meter",
    "MeterByEye",
    "MeterField",
    "OfferedPort",
    "bench_text",
    "is_placeholder",
    "logged_plan_text",
    "names_taken",
    "place_meters",
    "plan_text",
]
