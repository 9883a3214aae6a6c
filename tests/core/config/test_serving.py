"""Bench tables of a service: its page, and what is kept between sessions."""

import pytest

from daq.config.bench import Bench, parse_bench
from daq.errors import ConfigurationError

METER = """\
format = 1
title = "Meter"
refresh_s = 0.5
[wire]
protocol = "modbus-rtu"
[[field]]
name = "voltage"
quantity = "voltage"
unit = "V"
address = 0
resolution = 0.1
"""
BENCH = """\
format = 1
name = "fan-bench"
[[instrument]]
name = "meter"
profile = "meter"
port = "ports/mains"
unit = 1
[[instrument.channel]]
field = "voltage"
name = "voltage"
"""


def bench_with(*lines: str) -> Bench:
    profiles = {"meter": ("meter.toml", METER)}
    text = BENCH + "\n".join(lines)
    return parse_bench(text, file="bench.toml", find_profile=profiles.get)


def test_a_bench_that_says_nothing_of_it_is_not_shared_and_keeps_a_day_of_everything() -> (
    None
):
    bench = bench_with()
    page, idle = bench.page, bench.idle
    assert (page.port, page.share_port) == (8765, 8766)
    assert (page.certificate, page.key) == (None, None)
    assert (idle.keep_all_h, idle.keep_every_s) == (24.0, 60.0)


def test_what_a_bench_says_of_it_is_taken() -> None:
    bench = bench_with(
        *("[page]", "port = 0", "share_port = 9443"),
        *('certificate = "page.pem"', 'key = "page.key"'),
        *("[idle]", "keep_all_h = 0.5", "keep_every_s = 10"),
    )
    page, idle = bench.page, bench.idle
    assert (page.port, page.share_port) == (0, 9443)
    assert (page.certificate, page.key) == ("page.pem", "page.key")
    assert (idle.keep_all_h, idle.keep_every_s) == (0.5, 10.0)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (["[page]", "port = 65536"], "page.port"),
        (["[page]", "share_port = -1"], "page.share_port"),
        (["[page]", 'certificate = "page.pem"'], "belong together, expected both"),
        (["[page]", 'key = "page.key"'], "belong together, expected both"),
        (["[idle]", "keep_all_h = 0"], "idle.keep_all_h"),
        (["[idle]", "keep_every_s = -60"], "idle.keep_every_s"),
        (["[idle]", "keep_all_h = inf"], "idle.keep_all_h"),
        (["[idle]", "keep = 1"], "idle.keep: unknown key"),
    ],
)
def test_what_makes_no_sense_is_refused_where_it_stands(
    lines: list[str], words: str
) -> None:
    with pytest.raises(ConfigurationError, match=words):
        bench_with(*lines)
