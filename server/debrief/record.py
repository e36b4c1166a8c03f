"""A flight replayed once: its smoothed track, its raw fixes, and the predictions as they stood."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from decoders.reports import FoundReport
from server.debrief.predictions import Place, Prediction, Stood, ahead, judge, landing_place, note
from server.debrief.searched import Areas, AreaStood, areas_beside, found_of
from server.debrief.sentences import event_words, problem_words
from server.flight.flight import Flight
from server.flight.inputs import FlightPlan, Plan, Reception
from server.flight.landing.beside import told_to_each_other
from server.flight.landing.predict import predict
from server.flight.landing.question import LandingQuestion, Terrain
from server.flight.mission import Mission
from server.flight.mission_state import State
from server.flight.state import EventKind, FlightState
from server.flight.track.fixes import Fix, Verdict
from server.flight.track.smoother import smooth
from server.flight.view.answer import Answer
from server.flight.view.history import History, HistoryBook
from server.flight.view.snapshot import snapshot
from server.journal.recording import Recording

STEP_S = 300.0  # between two predictions that are kept
Array = npt.NDArray[np.float64]
Progress = Callable[[float], None]


class TrackPoint(NamedTuple):
    """One point of the smoothed track. Altitude above mean sea level; 1 sigma beside it."""

    time_s: float
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    climb_ms: float
    ground_speed_ms: float
    sigma_h_m: float
    sigma_v_m: float
    phase: str


class RawFix(NamedTuple):
    fix: Fix
    verdict: Verdict


class Happening(NamedTuple):
    kind: EventKind
    time_s: float
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    text: str


@dataclass(frozen=True)
class FlightRecord:
    """All that the debrief says of one flight, from one replay of its mission. UTC seconds, SI units."""

    name: str
    recording: Recording
    plan: FlightPlan
    mission: Mission
    flight: Flight
    state: State
    history: History
    track: Sequence[TrackPoint]
    raw: Sequence[RawFix]  # in order of time
    happenings: Sequence[Happening]
    predictions: Sequence[Prediction]
    landing: Place | None
    question: LandingQuestion | None
    problems: Sequence[str]
    areas: Sequence[AreaStood] = ()  # of the search, while it was not heard

    @property
    def found(self) -> FoundReport | None:
        """Where the crew found it, if it noted that."""
        return found_of(self.flight)

    @property
    def photo(self) -> str:
        """The name of the photo that was taken there; "" none."""
        return "" if self.found is None else self.found.photo or ""

    @property
    def shown(self) -> FlightState:
        """The flight as the screen showed it at the end."""
        return self.state.flights[self.flight.number]

    def first(self, kind: str) -> Happening | None:
        """The first event of that kind."""
        return next((e for e in self.happenings if e.kind == kind), None)

    def last(self, kind: str) -> Happening | None:
        return next((e for e in reversed(self.happenings) if e.kind == kind), None)


def replay_flights(
    recording: Recording,
    plan: Plan,
    terrain: Terrain | None = None,
    progress: Progress = lambda _part: None,
) -> tuple[FlightRecord, ...]:
    """Play a recording once, in order of hearing: a record of each flight, in the plan's order.

    `progress` is told the part that is done.
    """
    mission = Mission(plan, terrain)
    stood: list[list[Stood]] = [[] for _ in plan.flights]
    areas = [Areas() for _ in plan.flights]
    receptions = sorted(recording.receptions)
    for heard, part in _by_step(receptions):
        mission.receive(heard)
        note(mission, stood)
        for flight, before, of_it in zip(mission.flights, stood, areas, strict=True):
            if before:
                of_it.note(flight, before[-1].question, before[-1].landing)
        progress(part)
    for command in recording.commands:
        mission.apply(command)
    questions = told_to_each_other([flight.landing_question() for flight in mission.flights])
    answers = [_answer(question) for question in questions]
    state, history = snapshot(mission, answers), HistoryBook(mission).read()
    return tuple(
        _record(recording, flight, state, history, question, answer, its, of_it.stood)
        for flight, question, answer, its, of_it in zip(
            mission.flights, questions, answers, stood, areas, strict=True
        )
    )


def _record(
    recording: Recording,
    flight: Flight,
    state: State,
    history: History,
    question: LandingQuestion | None,
    answer: Answer | None,
    stood: list[Stood],
    areas: list[AreaStood],
) -> FlightRecord:
    place = (
        None if answer is None else landing_place(answer.question, answer.landing, found_of(flight))
    )
    own = tuple(f"{name}/" for name in flight.trackers)
    sensors = {key: s for key, s in history.sensors.items() if key.startswith(own)}
    judged = zip(flight.track.records(), flight.track.verdicts(), strict=True)
    return FlightRecord(
        name=flight.plan.name,
        recording=recording,
        plan=flight.plan,
        mission=flight.mission,
        flight=flight,
        state=state,
        history=replace(history, sensors=sensors),
        track=_track(flight),
        raw=[RawFix(record.fix, verdict) for record, verdict in judged],
        happenings=_happenings(state.flights[flight.number]),
        predictions=[judge(s, place) for s in stood if ahead(s, place)],
        landing=place,
        question=question,
        problems=[
            *recording.problems,
            *(problem_words(one) for one in state.problems),
            *_gaps_of_record(flight, place),
        ],
        areas=areas
        if place is None or not place.known
        else areas_beside(areas, place.latitude_deg, place.longitude_deg),
    )


def _answer(question: LandingQuestion | None) -> Answer | None:
    landing = None if question is None else predict(question)
    return None if question is None or landing is None else Answer(question, landing)


def _by_step(receptions: list[Reception]) -> list[tuple[list[Reception], float]]:
    """Receptions in groups of five minutes of the clock, with the part that each one completes."""
    groups: list[tuple[list[Reception], float]] = []
    step: float | None = None
    for i, reception in enumerate(receptions):
        here = reception.heard_at_s // STEP_S
        if here != step:
            groups.append(([], 0.0))
            step = here
        groups[-1][0].append(reception)
        groups[-1] = (groups[-1][0], (i + 1) / len(receptions))
    return groups


def _track(flight: Flight) -> list[TrackPoint]:
    track = flight.track
    points = smooth(track.whole_records(), track.verdicts(), track.constants)
    return [
        TrackPoint(
            p.time_s,
            float(latitude_deg),
            float(longitude_deg),
            p.motion.z.position,
            p.motion.z.velocity,
            math.hypot(p.motion.x.velocity, p.motion.y.velocity),
            math.sqrt(max((p.motion.x.var_position + p.motion.y.var_position) / 2, 0.0)),
            math.sqrt(max(p.motion.z.var_position, 0.0)),
            p.phase,
        )
        for p in points
        for latitude_deg, longitude_deg in [
            track.frame.to_latlon(p.motion.x.position, p.motion.y.position)
        ]
    ]


def places_at(track: Sequence[TrackPoint], times: Sequence[float] | Array) -> tuple[Array, Array]:
    """Latitude and longitude in degrees, straight between the points; also across the antimeridian."""
    track_s = [p.time_s for p in track]
    lon = np.unwrap([p.longitude_deg for p in track], period=360.0)
    here = np.interp(times, track_s, lon)
    lat = np.interp(times, track_s, [p.latitude_deg for p in track])
    return lat, (here + 180.0) % 360.0 - 180.0


def _happenings(shown: FlightState) -> list[Happening]:
    return [
        Happening(
            event.kind,
            event.time.timestamp(),
            event.latitude_deg,
            event.longitude_deg,
            event.altitude_m,
            event_words(event.kind, event.altitude_m, event.time.timestamp()),
        )
        for event in shown.events
    ]


def _gaps_of_record(flight: Flight, place: Place | None) -> list[str]:
    """What a half-written or half-heard flight lacks, in words."""
    kinds = {e.kind for e in flight.events()}
    if not flight.track.records():
        return ["no tracker gave a position: there is no track"]
    told = []
    if "launch" not in kinds:
        told.append("the launch was not heard")
    if "burst" not in kinds:
        told.append("the burst was not heard")
    if place is None:
        told.append("there is no landing")
    elif place.found_by:
        told.append("no fix on the ground: the landing is where it was found")
    elif not place.measured:
        told.append("no fix on the ground: the landing is the last prediction")
    if flight.mission.counts.undecodable:
        told.append(f"{flight.mission.counts.undecodable:,} receptions could not be decoded")
    return told
