"""A mission with its landings and whoever looks on. The station and the replay are each one."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

from server.flight.chase.question import Chase, ChaseQuestion, Chaser
from server.flight.flight import Flight
from server.flight.landing.beside import told_to_each_other
from server.flight.landing.fall_signs import fall_signs
from server.flight.landing.predict import predict
from server.flight.landing.question import LandingQuestion
from server.flight.mission import Mission
from server.flight.mission_state import Problem, ProblemKind, State
from server.flight.road_state import Reach, ReachLines
from server.flight.search.asked import Silent
from server.flight.state import Mode, Units
from server.flight.times import moment
from server.flight.view.answer import Answer
from server.flight.view.flight import silent_after_s
from server.flight.view.history import History, HistoryBook
from server.flight.view.landing import drawn
from server.flight.view.search import Searched, searched
from server.flight.view.searching import silent_flight
from server.flight.view.snapshot import snapshot
from server.flight.view.vehicles import chase_question, shown_vehicles
from server.flight.view.winds import Winds, shown_winds

log = logging.getLogger("leeward.session")

REACH_MIN = (10.0, 20.0, 30.0)
LANDING_PAUSE_S = 1.0  # between two predictions

_Answers = tuple[Answer | None, ...]  # of each flight, in their order


class Refused(Exception):
    """A command that makes no sense here; the message is for the person who gave it."""


class NotStored(Refused):
    """It could not be written down; whoever sent it must keep it and send it again."""


class Session:
    """Keeps the landings up to date off the event loop, and tells subscribers of every change."""

    mode: Mode = "replay"

    def __init__(self, mission: Mission) -> None:
        self.mission = mission
        self.units: Units = "metric"  # the page's first units, as the plan says
        self.own_problems: tuple[Problem, ...] = ()  # of plan, maps or journal
        self.screen_problems: Callable[[], Iterable[Problem]] = tuple
        self._book = HistoryBook(mission)
        self._answers: _Answers = ()
        self._landing_problem: Problem | None = None
        self.chaser: Chaser | None = None  # who knows the roads, where anybody does
        self._chase_problem: Problem | None = None
        self._failures_logged: set[str] = set()
        self._subscribers: list[Callable[[], None]] = []
        self._thinker = ThreadPoolExecutor(1, thread_name_prefix="landing")
        self._wanted = asyncio.Event()

    def show(self, mission: Mission) -> None:
        """Look at another mission from now on (a replay that jumps)."""
        self.mission = mission
        self._book = HistoryBook(mission)
        self._answers, self._landing_problem, self._chase_problem = (), None, None
        self.changed()

    @property
    def number(self) -> int:
        """Receptions taken in so far."""
        return self.mission.counts.total

    def state(self) -> State:
        """The state with the last landings that were worked out."""
        state = snapshot(self.mission, self._answers)
        problems = [*state.problems, *self.own_problems, *self.screen_problems()]
        problems += [p for p in (self._landing_problem, self._chase_problem) if p is not None]
        unused = [a.landing.no_forecast for a in self._answers if a is not None]
        for detail in dict.fromkeys(text for text in unused if text is not None):
            problems.append(Problem(ProblemKind.FORECAST_UNUSED, detail=detail))
        return replace(state, mode=self.mode, units=self.units, problems=tuple(problems))

    def winds(self, flight: str) -> Winds | None:
        """What a flight's last landing rests on; None: no such flight, or no landing yet."""
        for answer in self._answers:
            if answer is not None and flight in ("", answer.question.plan.name):
                return shown_winds(answer)
        return None

    async def reach(self, vehicle: str) -> Reach | None:
        """How far that car gets; None: no such car, no position, or no roads about it."""
        at = next((one for one in shown_vehicles(self.mission) if one.name == vehicle), None)
        if at is None or self.chaser is None:
            return None
        loop = asyncio.get_running_loop()
        lines = await loop.run_in_executor(
            self._thinker, self.chaser.reach, at.latitude_deg, at.longitude_deg, REACH_MIN
        )
        if lines is None:
            return None
        found = tuple(
            ReachLines(minutes, tuple(tuple(line) for line in some))
            for minutes, some in zip(REACH_MIN, lines, strict=True)
        )
        return Reach(vehicle, at.time, found)

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
        """Work the landings out again whenever the mission has changed; runs until cancelled.

        Whatever goes wrong with it, the mission goes on: the last landings stay, and show their age.
        """
        loop = asyncio.get_running_loop()
        while True:
            await self._wanted.wait()
            await self._caught_up()
            self._wanted.clear()
            mission = self.mission
            try:
                questions = []
                for flight in mission.flights:
                    questions.append(flight.landing_question())
                    await asyncio.sleep(0)  # each takes some milliseconds of the loop
                answers = await loop.run_in_executor(self._thinker, _work_out, questions)
            except Exception as error:  # no prediction is worth the receptions
                self._landing_failed(mission, error)
            else:
                self._landing_found(mission, answers)
                await self._keep_search(mission)
                await self._keep_chase(mission)
            await asyncio.sleep(LANDING_PAUSE_S)

    async def _caught_up(self) -> None:
        """Until what was heard is in the tracks, or it has waited long enough."""

    async def _keep_search(self, mission: Mission) -> None:
        """Where a flight lies that is not heard: taken from the books here, worked out off the loop."""
        loop = asyncio.get_running_loop()
        try:
            silent = self._silent(mission)
            found = await loop.run_in_executor(self._thinker, _work_out_searches, silent)
        except Exception as error:  # the landing is worth having without it
            self._landing_failed(mission, error)
        else:
            self._search_found(mission, found)

    def _silent(self, mission: Mission) -> list[Silent | None]:
        """Of each flight; None while it is heard."""
        answers = self._answers if mission is self.mission else ()
        return [
            a and silent_flight(f, a.question, a.landing, silent_after_s(f, a.landing.as_of_s))
            for f, a in zip(mission.flights, answers, strict=False)  # none, where another is shown
        ]

    def _search_found(self, mission: Mission, found: Sequence[Searched | None]) -> None:
        if mission is not self.mission or len(found) != len(self._answers):
            return
        before = self._answers
        self._answers = tuple(
            a and a._replace(search=one) for a, one in zip(before, found, strict=True)
        )
        if any(a is not None and a.search is not None for a in (*before, *self._answers)):
            self.notify()

    async def _keep_chase(self, mission: Mission) -> None:
        """The drives over roads to the landings that were just found; the last ones stay until then."""
        loop = asyncio.get_running_loop()
        for number, flight in enumerate(mission.flights):
            question = self._chase_question(mission, flight, number)
            if question is None or self.chaser is None:
                continue
            try:
                found = await loop.run_in_executor(self._thinker, self.chaser.chase, question)
            except Exception as error:  # the straight line is still there
                self._chase_failed(mission, error)
            else:
                self._chase_found(mission, number, found)

    def _chase_question(
        self, mission: Mission, flight: Flight, number: int
    ) -> ChaseQuestion | None:
        answer = self._answers[number] if mission is self.mission and self._answers else None
        return None if answer is None or self.chaser is None else chase_question(flight, answer)

    def _chase_found(self, mission: Mission, number: int, found: Chase | None) -> None:
        if mission is not self.mission or number >= len(self._answers):
            return
        answer = self._answers[number]
        if answer is not None:
            changed = answer._replace(chase=found)
            self._answers = (*self._answers[:number], changed, *self._answers[number + 1 :])
        self._chase_problem = None
        self.notify()

    def _chase_failed(self, mission: Mission, error: Exception) -> None:
        kind = type(error).__name__
        if kind not in self._failures_logged:
            self._failures_logged.add(kind)
            log.error("drives over roads failed: %s: %s", kind, error, exc_info=error)
        if mission is self.mission:
            self._answers = tuple(a and a._replace(chase=None) for a in self._answers)
            self._chase_problem = Problem(ProblemKind.ROADS_UNUSED, detail=kind)
            self.notify()

    def settle_landing(self) -> None:
        """Work the landings out here and now (no event loop)."""
        mission = self.mission
        try:
            answers = _work_out([flight.landing_question() for flight in mission.flights])
        except Exception as error:  # the rest of the state is worth having
            self._landing_failed(mission, error)
        else:
            self._landing_found(mission, answers)
            self._settle_search(mission)
            self._settle_chase(mission)

    def _settle_search(self, mission: Mission) -> None:
        try:
            self._search_found(mission, _work_out_searches(self._silent(mission)))
        except Exception as error:  # as above
            self._landing_failed(mission, error)

    def _settle_chase(self, mission: Mission) -> None:
        for number, flight in enumerate(mission.flights):
            question = self._chase_question(mission, flight, number)
            if question is None or self.chaser is None:
                continue
            try:
                self._chase_found(mission, number, self.chaser.chase(question))
            except Exception as error:  # as above
                self._chase_failed(mission, error)

    def _landing_found(self, mission: Mission, answers: _Answers) -> None:
        if mission is self.mission:  # not another one meanwhile, in a replay
            # drives and searches are those of before, until there are new ones
            known = self._answers or (None,) * len(answers)
            self._answers = tuple(
                new
                if new is None or old is None
                else new._replace(chase=old.chase, search=old.search)
                for new, old in zip(answers, known, strict=True)
            )
            self._landing_problem = None
            self.notify()

    def _landing_failed(self, mission: Mission, error: Exception) -> None:
        kind = type(error).__name__
        if kind not in self._failures_logged:  # once: it fails again with the next packet
            self._failures_logged.add(kind)
            log.error("landing prediction failed: %s: %s", kind, error, exc_info=error)
        if mission is self.mission:
            as_of_s = [a.landing.as_of_s for a in self._answers if a is not None]
            shown = moment(min(as_of_s)) if as_of_s else None
            self._landing_problem = Problem(ProblemKind.LANDING_FAILED, time=shown, detail=kind)
            self.notify()

    def close(self) -> None:
        self._thinker.shutdown(wait=False, cancel_futures=True)


def _work_out(questions: Sequence[LandingQuestion | None]) -> _Answers:
    """The answers, and beside each what every snapshot will ask of it: up to 0.1 s off the loop."""
    answers: list[Answer | None] = []
    for question in told_to_each_other(questions):
        landing = None if question is None else predict(question)
        if question is None or landing is None:
            answers.append(None)
        else:
            drawing = drawn(question, landing)
            answers.append(Answer(question, landing, fall_signs(question), drawing))
    return tuple(answers)


def _work_out_searches(silent: Sequence[Silent | None]) -> list[Searched | None]:
    return [None if one is None else searched(one) for one in silent]
