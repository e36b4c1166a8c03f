"""A flight fed within an event loop: never for longer at a time than the loop can spare."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import sys
import time
from collections import deque
from collections.abc import Callable, Iterable

from server.flight.inputs import Command, Reception, Tick
from server.flight.mission import Mission

# of the loop at a time: a fifth of what it may be held for, since the screen takes its part of a turn
SLICE_S = 0.002
STEPS = 4  # of the flight's work before the time is looked at again: about 1 ms
BOOKED_AT_ONCE = 8
STEPS_BEHIND = 24  # that these make, mostly: what is counted as heard is in the track as well


def without_full_collections() -> None:
    """No search for garbage among all that the flight keeps: it held the loop for 60 to 400 ms.

    The flight's objects hold no cycles and are freed by their counts. Young cycles are found as ever;
    of older ones (a page that was open for minutes) some tens of kilobytes each stay.
    """
    gc.set_threshold(*gc.get_threshold()[:2], 1_000_000_000)


def threads_give_way() -> None:
    """What works out a landing, in a thread, gives the interpreter to the loop after half a millisecond.

    Python's own 5 ms were waited for at each turn of the loop, several times for one packet.
    """
    sys.setswitchinterval(0.0005)


def look_for_new_garbage() -> None:
    """Once the past is read: from then on among what is new, and never among all at once."""
    gc.freeze()
    gc.enable()
    without_full_collections()
    threads_give_way()


class Slices:
    """Books what comes and goes on with the flight's work, a slice at a time."""

    def __init__(self, mission: Mission, on_change: Callable[[], None]) -> None:
        """`on_change` is called when there is something new to see; that time goes on is not."""
        self._mission = mission
        self._on_change = on_change
        self._waiting: deque[Reception | Tick | Command] = deque()
        self._left, self._done = asyncio.Event(), asyncio.Event()
        self._done.set()

    def take(self, given: Iterable[Reception | Tick | Command]) -> None:
        """What fits into one slice is in use when this returns, the rest soon after."""
        self._waiting.extend(given)
        if self._left.is_set():  # a slice for each arrival would be one too many
            return
        self._work_a_while()

    async def caught_up(self, within_s: float) -> None:
        """Wait until nothing is left, or so long."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(within_s):
                await self._done.wait()

    async def run(self) -> None:
        """Go on with what is left, and leave the loop free in between; until cancelled."""
        while True:
            await self._left.wait()
            self._work_a_while()
            await asyncio.sleep(0)

    def _work_a_while(self) -> None:
        until_s = time.monotonic() + SLICE_S
        mission, changed = self._mission, False
        while self._waiting:
            count = min(len(self._waiting), BOOKED_AT_ONCE)
            given = [self._waiting.popleft() for _ in range(count)]
            mission.book(given)
            mission.work(STEPS_BEHIND)
            changed |= not all(isinstance(one, Tick) for one in given)
            if time.monotonic() >= until_s:
                break
        # a rerun goes on whatever comes
        while mission.work(STEPS) and time.monotonic() < until_s:
            pass
        if self._waiting or mission.pending:
            self._left.set()
            self._done.clear()
        else:
            changed |= self._left.is_set()
            self._left.clear()
            self._done.set()
        if changed:
            self._on_change()
