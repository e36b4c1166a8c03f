"""Two things at once, of which neither goes on without the other."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any


async def until_one_ends(*work: Coroutine[Any, Any, None]) -> None:
    """Run all until the first ends, then end the others; raises what the first raised."""
    tasks = [asyncio.ensure_future(one) for one in work]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in tasks:
            if task.done():
                task.result()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
