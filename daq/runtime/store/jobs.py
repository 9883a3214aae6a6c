"""What somebody asked of the store, and waits for."""

import asyncio
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Job:
    """A function of the connection, and the future that has what it returns."""

    work: Callable[[sqlite3.Connection], object]
    answer: "asyncio.Future[Any]"


def settle(
    future: "asyncio.Future[Any]", value: object, failure: Exception | None
) -> None:
    """Answer, in the loop's thread."""
    if future.done():  # whoever asked was cancelled meanwhile
        return
    if failure:
        future.set_exception(failure)
    else:
        future.set_result(value)
