"""How the run before this one ended: told for a while where it was killed, or lost its power."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from server.flight.mission_state import Problem, ProblemKind
from server.flight.times import moment
from server.journal.database import Journal, JournalError

TOLD_FOR_S = 600.0  # nobody can mend it


def not_closed(journal: Journal) -> Problem | None:
    """Until when the run before heard, by the clocks of then; None where it was closed, or heard nothing."""
    try:
        last_s = None if journal.was_closed else journal.last_heard_s()
    except JournalError:
        return None  # of a damaged one more is told
    return None if last_s is None else Problem(ProblemKind.NOT_CLOSED, time=moment(last_s))


async def tell_for_a_while(told: Problem | None, tell: Callable[[Problem | None], None]) -> None:
    if told is not None:
        tell(told)
        await asyncio.sleep(TOLD_FOR_S)
        tell(None)
