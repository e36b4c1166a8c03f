"""One flight of a mission: its plan, its trackers, its track, and what follows from them now."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from server.flight.books import Books
from server.flight.inputs import FlightPlan, TrackerPlan
from server.flight.landing.planned import planned_question
from server.flight.landing.question import LandingQuestion, ask
from server.flight.track.events import Event
from server.flight.track.track import Track

if TYPE_CHECKING:
    from server.flight.mission import Mission


@dataclass(frozen=True, slots=True, eq=False)
class Flight:
    """As the books stand when it is taken out of the mission. `number`: from 0, in the plan's order."""

    mission: Mission
    plan: FlightPlan
    books: Books
    number: int

    @property
    def track(self) -> Track:
        """The fused track."""
        return self.books.tracks[self.number]

    @property
    def trackers(self) -> Mapping[str, TrackerPlan]:
        """Its own, by the name that is heard."""
        return {
            n: t for n, t in self.books.trackers.items() if self.books.flight_of(n) == self.number
        }

    def events(self) -> tuple[Event, ...]:
        """Launch, burst, landing, as best known now."""
        return self.track.checkpoint().phase.events

    def landing_question(self) -> LandingQuestion | None:
        """All that a landing prediction needs, as of now; None without a track and a planned launch.

        Before the first fix the plan is asked, where it names winds.
        """
        mission = self.mission
        around = (
            self.plan,
            mission.plan.avoid,
            mission.terrain,
            mission.forecast,
            mission.winds,
            mission.counts.total,
        )
        found = ask(self.track, *around)
        if found is not None or not (mission.forecast or mission.winds) or mission.now_s <= 0.0:
            return found
        return planned_question(*around, mission.now_s)
