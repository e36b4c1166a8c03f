"""A flight with its landing view and whoever looks on. The station and the replay are each one."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

from server.flight.flight import Flight
from server.flight.landing.fall_signs import FallSigns, fall_signs
from server.flight.landing.predict import Landing, predict
from server.flight.landing.question import LandingQuestion
from server.flight.mission_state import Problem, ProblemKind, State
from server.flight.state import Mode, Units
from server.flight.times import moment
from server.flight.view.history import History, HistoryBook
from server.flight.view.snapshot import snapshot

log = logging.getLogger("leeward.session")

LANDING_PAUSE_S = 1.0  # between two predictions


_WorkedOut = tuple[Landing, FallSigns]


class Refused(Exception):
    """A command that makes no sense here; the message is for the person who gave it."""


class NotStored(Refused):
    """It could not be written down; whoever sent it must keep it and send it again."""


class Session:
    """Keeps the landing up to date off the event loop, and tells subscribers of every change."""

    mode: Mode = "replay"

    def __init__(self, flight: Flight) -> None:
        self.flight = flight
        self.units: Units = "metric"  # the page's first units, as the plan says
        self.own_problems: tuple[Problem, ...] = ()  # of plan, maps or journal
        self._book = HistoryBook(flight)
        self._landing: tuple[LandingQuestion, Landing] | None = None
        self._signs: FallSigns | None = None  # what that question says of the fall
        self._landing_problem: Problem | None = None
        self._failures_logged: set[str] = set()
        self._subscribers: list[Callable[[], None]] = []
        self._thinker = ThreadPoolExecutor(1, thread_name_prefix="landing")
        self._wanted = asyncio.Event()

    def show(self, flight: Flight) -> None:
        """Look at another flight from now on (a replay that jumps)."""
        self.flight = flight
        self._book = HistoryBook(flight)
        self._landing = self._signs = self._landing_problem = None
        self.changed()

    def state(self) -> State:
        """The state with the last landing that was worked out."""
        state = snapshot(self.flight, self._landing, self._signs)
        problems = [*state.problems, *self.own_problems]
        if self._landing_problem is not None:
            problems.append(self._landing_problem)
        if self._landing is not None and self._landing[1].no_forecast is not None:
            unused = self._landing[1].no_forecast
            problems.append(Problem(ProblemKind.FORECAST_UNUSED, detail=unused))
        return replace(state, mode=self.mode, units=self.units, problems=tuple(problems))

    def history(self) -> History:
        """The past as lists that grow."""
        return self._book.read()

    def subscribe(self, on_change: Callable[[], None]) -> Callable[[], None]:
        """Call `on_change` in the loop at each change; returns how to stop that."""
        self._subscribers.append(on_change)
        return lambda: self._subscribers.remove(on_change)

    def changed(self) -> None:
        """The flight has taken something in."""
        self._wanted.set()
        self.notify()

    def notify(self) -> None:
        for on_change in tuple(self._subscribers):
            on_change()

    async def keep_landing(self) -> None:
        """Work the landing out again whenever the flight has changed; runs until cancelled.

        Whatever goes wrong with it, the flight goes on: the last landing stays, and shows its age.
        """
        loop = asyncio.get_running_loop()
        while True:
            await self._wanted.wait()
            self._wanted.clear()
            flight = self.flight
            worked_out: _WorkedOut | None = None
            try:
                question = flight.landing_question()
                if question is not None:
                    worked_out = await loop.run_in_executor(self._thinker, _work_out, question)
            except Exception as error:  # no prediction is worth the receptions
                self._landing_failed(flight, error)
            else:
                self._landing_found(flight, question, worked_out)
            await asyncio.sleep(LANDING_PAUSE_S)

    def settle_landing(self) -> None:
        """Work the landing out here and now (no event loop)."""
        worked_out: _WorkedOut | None = None
        try:
            question = self.flight.landing_question()
            if question is not None:
                worked_out = _work_out(question)
        except Exception as error:  # the rest of the state is worth having
            self._landing_failed(self.flight, error)
        else:
            self._landing_found(self.flight, question, worked_out)

    def _landing_found(
        self, flight: Flight, question: LandingQuestion | None, worked_out: _WorkedOut | None
    ) -> None:
        if flight is self.flight:  # not another one meanwhile, in a replay
            self._landing = self._signs = None
            if question is not None and worked_out is not None:
                self._landing = (question, worked_out[0])
                self._signs = worked_out[1]
            self._landing_problem = None
            self.notify()

    def _landing_failed(self, flight: Flight, error: Exception) -> None:
        kind = type(error).__name__
        if kind not in self._failures_logged:  # once: it fails again with the next packet
            self._failures_logged.add(kind)
            log.error("landing prediction failed: %s: %s", kind, error, exc_info=error)
        if flight is self.flight:
            shown = None if self._landing is None else moment(self._landing[1].as_of_s)
            self._landing_problem = Problem(ProblemKind.LANDING_FAILED, time=shown, detail=kind)
            self.notify()

    def close(self) -> None:
        self._thinker.shutdown(wait=False, cancel_futures=True)


def _work_out(question: LandingQuestion) -> _WorkedOut | None:
    """The answer, and beside it what every snapshot will ask of a long fall: up to 0.1 s off the loop."""
    landing = predict(question)
    return None if landing is None else (landing, fall_signs(question))
