"""A flight replayed once: its smoothed track, its raw fixes, and the predictions as they stood."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from decoders.reports import FoundReport
from server.debrief.searched import Areas, AreaStood, areas_beside, found_of
from server.debrief.sentences import event_words, problem_words
from server.flight.flight import Flight
from server.flight.inputs import FlightPlan, Plan, Reception
from server.flight.landing.beside import told_to_each_other
from server.flight.landing.predict import Landing, predict
from server.flight.landing.question import LandingQuestion, Terrain
from server.flight.mission import Mission
from server.flight.mission_state import State
from server.flight.physics.geodesy import distance_bearing
from server.flight.state import EventKind, FlightState
from server.flight.track.fixes import Fix, Verdict
from server.flight.track.smoother import smooth
from server.flight.view.answer import Answer
from server.flight.view.history import History, HistoryBook
from server.flight.view.snapshot import snapshot
from server.journal.recording import Recording

STEP_S = 300.0  # between two predictions that are kept
_KNOWN_M = 1_000.0
FLYING = ("ascent", "float", "descent")
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


class Place(NamedTuple):
    time_s: float
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    measured: bool  # from fixes on the ground; otherwise the last prediction
    radius_90_m: float
    found_by: str = ""  # who found it there; "": nobody noted it

    @property
    def known(self) -> bool:
        """Well enough to judge predictions by: at rest, or followed nearly to the ground."""
        return self.measured or self.radius_90_m <= _KNOWN_M


class Happening(NamedTuple):
    kind: EventKind
    time_s: float
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    text: str


class Prediction(NamedTuple):
    """A landing as it was predicted at `at_s`, and how far off it was (None: landing not seen)."""

    at_s: float
    latitude_deg: float
    longitude_deg: float
    landing_s: float
    radius_90_m: float
    ring_90: tuple[tuple[float, float], ...]  # longitude, latitude, closed
    phase: str
    altitude_m: float
    off_m: float | None
    off_s: float | None  # predicted minus true time
    inside_90: bool | None


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


class _Stood(NamedTuple):
    at_s: float
    phase: str
    altitude_m: float
    question: LandingQuestion
    landing: Landing


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
    stood: list[list[_Stood]] = [[] for _ in plan.flights]
    areas = [Areas() for _ in plan.flights]
    receptions = sorted(recording.receptions)
    for heard, part in _by_step(receptions):
        mission.receive(heard)
        _note(mission, stood)
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
    stood: list[_Stood],
    areas: list[AreaStood],
) -> FlightRecord:
    place = None if answer is None else _place(answer.question, answer.landing, found_of(flight))
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
        predictions=[_judge(s, place) for s in stood if _ahead(s, place)],
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


def _note(mission: Mission, stood: list[list[_Stood]]) -> None:
    """Keep the predictions as they stand, but those for which nothing new was heard since the last."""
    questions = [
        flight.landing_question() if flight.track.phase() in FLYING else None
        for flight in mission.flights
    ]
    for question, before in zip(told_to_each_other(questions), stood, strict=True):
        if question is None or (before and question.at_s <= before[-1].question.at_s):
            continue
        landing = predict(question)
        if landing is not None:
            altitude_m = question.motion.z.position
            before.append(_Stood(mission.now_s, question.phase, altitude_m, question, landing))


def _place(question: LandingQuestion, landing: Landing, found: FoundReport | None) -> Place:
    """Where it came to rest; where it was found, if it was not heard there; else as predicted."""
    if found is not None and landing.basis != "landed fix":
        return Place(
            landing.time_s,
            found.latitude_deg,
            found.longitude_deg,
            landing.altitude_m,
            False,
            0.0,
            found.name,
        )
    latitude_deg, longitude_deg = question.frame.to_latlon(landing.x_m, landing.y_m)
    return Place(
        landing.time_s,
        float(latitude_deg),
        float(longitude_deg),
        landing.altitude_m,
        landing.basis == "landed fix",
        landing.nine_tenths.radius_m,
    )


def _ahead(stood: _Stood, place: Place | None) -> bool:
    """A prediction that still stood after the landing, before it was noticed, predicts nothing."""
    return place is None or not place.measured or stood.at_s < place.time_s


def _judge(stood: _Stood, place: Place | None) -> Prediction:
    question, landing = stood.question, stood.landing
    latitude_deg, longitude_deg = map(float, question.frame.to_latlon(landing.x_m, landing.y_m))
    ring = np.asarray(landing.nine_tenths.ring_m)
    lat, lon = question.frame.to_latlon(ring[:, 0], ring[:, 1])
    corners = [(float(o), float(a)) for o, a in zip(lon, lat, strict=True)]
    corners[-1] = corners[0]
    off_m = off_s = inside = None
    if place is not None and place.known:
        off_m, _ = distance_bearing(
            latitude_deg, longitude_deg, place.latitude_deg, place.longitude_deg
        )
        off_s = None if place.found_by else landing.time_s - place.time_s  # nobody saw it come down
        inside = _inside(corners, place.longitude_deg, place.latitude_deg)
    return Prediction(
        stood.at_s,
        latitude_deg,
        longitude_deg,
        landing.time_s,
        landing.nine_tenths.radius_m,
        tuple(corners),
        stood.phase,
        stood.altitude_m,
        off_m,
        off_s,
        inside,
    )


def _inside(ring: Sequence[tuple[float, float]], x: float, y: float) -> bool:
    """Even-odd rule on a closed ring."""
    odd = False
    for (ax, ay), (bx, by) in itertools.pairwise(ring):
        if (ay > y) != (by > y) and x < (bx - ax) * (y - ay) / (by - ay) + ax:
            odd = not odd
    return odd


def _track(flight: Flight) -> list[TrackPoint]:
    track = flight.track
    points = smooth(track.records(), track.verdicts(), track.constants)
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
