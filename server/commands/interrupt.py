"""Work that goes on until somebody ends it."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import Awaitable
from typing import TypeVar

Result = TypeVar("Result")


def until_interrupted(work: Awaitable[Result]) -> Result | None:
    """Run to the end, and give what came of it. Ctrl-C or a termination signal cancels it: None then.

    Also where a shell has started this in the background, and with that told it to ignore Ctrl-C.
    """

    async def main() -> Result | None:
        task = asyncio.ensure_future(work)
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, task.cancel)
        with contextlib.suppress(asyncio.CancelledError):
            return await task
        return None

    return asyncio.run(main())
