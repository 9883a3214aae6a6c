"""A bench with an AC meter at the machine's end and a vane anemometer at the outlet, and a plan that compares leads."""

from daq.config.bench import Bench, parse_bench

METER = """
format = 1
title = "AC meter"
refresh_s = 1.0
[wire]
protocol = "query-lines"
request = "?"
parts = 3
[[field]]
name = "voltage"
quantity = "voltage"
unit = "V"
position = 0
resolution = 0.1
accuracy = { gain_percent = 0.2 }
[[field]]
name = "current"
quantity = "current"
unit = "A"
position = 1
resolution = 0.01
accuracy = { gain_percent = 0.3 }
[[field]]
name = "power"
quantity = "power"
unit = "W"
position = 2
resolution = 0.1
accuracy = { gain_percent = 0.5 }
"""
VANE = """
format = 1
title = "Vane anemometer"
refresh_s = 0.5
[wire]
protocol = "streamed-lines"
pattern = "(?P<velocity>.+)"
[[field]]
name = "velocity"
quantity = "velocity"
unit = "m/s"
resolution = 0.01
accuracy = { gain_percent = 1 }
"""
BENCH = """
format = 1
name = "leads"
[[instrument]]
name = "meter"
profile = "meter"
port = "ports/mains"
place = "machine end"
[[instrument.channel]]
field = "voltage"
name = "machine_voltage"
[[instrument.channel]]
field = "current"
name = "current"
[[instrument.channel]]
field = "power"
name = "power"
[[instrument]]
name = "anemometer"
profile = "vane"
port = "ports/air"
place = "outlet"
[[instrument.channel]]
field = "velocity"
name = "velocity"
title = "Outlet velocity"
"""
AIRFLOW = """
[air]
temperature_c = 20
pressure_hpa = 1013.25
pressure_kind = "station"
[[airflow]]
name = "airflow"
channel = "velocity"
meter = "vane"
diameter_mm = 60
"""
PLAN = """
format = 1
name = "leads"
baseline = "short lead"
[machine]
title = "Drying blower"
[[condition]]
name = "short lead"
[[condition]]
name = "long lead"
changes = ["lead"]
[[condition]]
name = "thin lead"
changes = ["lead"]
[start]
channel = "current"
on_above = 1.0
off_below = 0.5
[settling]
required = ["power"]
"""


def compared_bench(text: str = BENCH + AIRFLOW) -> Bench:
    profiles = {"meter": ("meter.toml", METER), "vane": ("vane.toml", VANE)}
    return parse_bench(text, file="bench.toml", find_profile=profiles.get)
