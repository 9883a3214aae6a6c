"""Waiting for a condition, with a patience that has an end."""

import asyncio
from collections.abc import Callable

PATIENCE_S = 20.0


async def until(condition: Callable[[], bool]) -> None:
    """Wait for a condition, or fail."""
    async with asyncio.timeout(PATIENCE_S):
        while not condition():  # noqa: ASYNC110 - what is waited for sets no event
            await asyncio.sleep(0.002)
