"""What several tests of the shown page start from: moments of a session, points of a funnel."""

import dataclasses

from playwright.async_api import Locator
from playwright.async_api import Page as Tab

from daq.runtime.snapshot import (
    ComparisonLine,
    DifferenceLine,
    StageLine,
)
from tests.system.live_page import (
    AVERAGING,
    NOW_S,
    POWER,
    SETTLED,
    TEMPERATURE,
    TRIAL,
    WAITING,
    WAITING_SLIP,
)

MINUS = "\N{MINUS SIGN}"
LESS = DifferenceLine("2.5 mm², 25 m", "power", -34.0, 11.5, "W", 1, -2.4, "real", "2.5 mm², 25 m: 34 W less.")  # fmt: skip
COMPARISON = ComparisonLine(2, (LESS,), ("With the 2.5 mm² lead it takes 34 W less.",))
DONE_SLIP = (
    WAITING_SLIP[0],
    dataclasses.replace(SETTLED.slip[1], state="done", trial=2),
    WAITING_SLIP[2],
)
COMPARED = dataclasses.replace(WAITING, slip=DONE_SLIP, comparison=COMPARISON)
SETTLING = dataclasses.replace(
    AVERAGING,
    stage=StageLine("settling", NOW_S, None, 90.0, "about 1½ min more", "Settling."),
    instruction="Keep it running, about 1½ min more.",
    trial=dataclasses.replace(TRIAL, window_s=None),
    channels=(POWER, TEMPERATURE),
)
BOUNDS = (None, 60.0, 50.0, 40.0, 30.0, 25.0, 20.0, 16.0, 12.0, 9.0, 7.0, 6.0)
STAGES = (
    ("waiting", "waiting", "wait"),
    ("running-up", "running up", "rising"),
    ("settling", "settling", "funnel"),
    ("averaging", "averaging", "averaging"),
    ("done", "done", "done"),
    ("not-settled", "not settled", "abnormal"),
    ("limit", "a limit is broken", "danger"),
    ("finished", "finished", "done"),
    ("paused", "paused", "paused"),
    ("idle", "idle", "idle"),
)


def funnel(bins: int) -> dict[str, object]:
    """The power's bound closes in from 60 W to 6 W around a mean that stands still; 14 W are allowed."""
    return {
        "power": {
            "tolerance": 14.0,
            "t": [NOW_S - 90.0 + 5.0 * n for n in range(bins)],
            "mean": [1385.0] * bins,
            "bound": BOUNDS[:bins],
        }
    }


def point(at_s: float, bound: float, mean: float = 1385.0) -> dict[str, object]:
    return {
        "channel": "power",
        "tolerance": 14.0,
        "at_s": at_s,
        "mean": mean,
        "bound": bound,
    }


def drawn(tab: Tab, line: str) -> Locator:
    return tab.locator(f".funnel .{line}")


async def outline(tab: Tab, line: str) -> str:
    return await drawn(tab, line).get_attribute("d") or ""
