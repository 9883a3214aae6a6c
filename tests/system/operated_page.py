"""The page in the hands of an operator, and what a bench shows meanwhile."""

import contextlib
import dataclasses
from collections.abc import AsyncIterator

from playwright.async_api import Browser, expect
from playwright.async_api import Page as Tab

from daq.errors import OperationRefusedError, Refusal
from daq.runtime.snapshot import AlarmLine, ConditionLine
from daq.runtime.web.access import Role
from tests.runtime.faces import PLAN
from tests.system.live_page import (
    AVERAGING,
    DESK,
    IDLE,
    WAITING,
    WAITING_SLIP,
    Bench,
    opened,
)

DONE, SECOND, THIRD = WAITING_SLIP
SLIP = (
    dataclasses.replace(DONE, trial=11),
    dataclasses.replace(SECOND, state="not settled", trial=12),
    THIRD,
)
CALLING = dataclasses.replace(
    WAITING, condition=ConditionLine("1.5 mm², 25 m", 1, 3), slip=SLIP
)
PAUSED = dataclasses.replace(
    CALLING,
    session=dataclasses.replace(CALLING.session, state="paused"),  # type: ignore[type-var] # there is one
)
FINISHED = dataclasses.replace(
    CALLING,
    session=dataclasses.replace(CALLING.session, state="finished"),  # type: ignore[type-var] # there is one
    condition=None,
)
ALARM = AlarmLine("The machine has run for 20 min. Switch off at the plug.", 998.0)
ALARMING = dataclasses.replace(
    AVERAGING,
    condition=CALLING.condition,
    alarms=(ALARM,),
    urgency="danger",
    overdue=True,
)
LEFT_RUNNING = dataclasses.replace(IDLE, alarms=(ALARM,), urgency="danger")
UNFINISHED = {"session": 3, "done": 2, "total": 6, "last_utc": "2026-01-05T10:12:13.120Z", "another_day": False}  # fmt: skip


@contextlib.asynccontextmanager
async def operated(
    browser: Browser,
    bench: Bench,
    size: tuple[int, int] = DESK,
    *,
    dark: bool = False,
    complaints_expected: bool = False,
) -> AsyncIterator[Tab]:
    """The page in the hands of an operator."""
    async with opened(
        browser, bench, size, dark=dark, complaints_expected=complaints_expected
    ) as tab:
        await tab.goto(link(bench))
        await expect(tab.locator("[data-path=role]")).to_have_text("Role: operator")
        yield tab


def link(bench: Bench) -> str:
    return f"{bench.url}#operate={bench.keys.token(Role.OPERATOR)}"


def refused(code: Refusal, text: str) -> OperationRefusedError:
    return OperationRefusedError(code, text)


async def press(tab: Tab, word: str) -> None:
    await tab.get_by_role("button", name=word, exact=True).click()


def offer_an_old_session(bench: Bench) -> None:
    old = {**UNFINISHED, "another_day": True}
    bench.face.plans_on_offer = [{**PLAN, "unfinished": old}]
