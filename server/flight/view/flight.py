"""One flight of the state, made from the books and its last prediction."""

from __future__ import annotations

import math
from typing import NamedTuple, cast

import numpy as np

from server.flight.crew_said import last_said
from server.flight.flight import Flight
from server.flight.landing.fall_signs import FallSigns, fall_signs
from server.flight.landing.question import known_ground_m, site_m
from server.flight.mission_state import Alarm
from server.flight.state import Event, FlightState, Launch, Phase, Said, Statement, Track
from server.flight.times import maybe_moment, moment
from server.flight.track.checkpoint import Record
from server.flight.track.modes import MODE_NAMES
from server.flight.tracker_state import Sensor, Tracker
from server.flight.view.alarms import shown_alarms
from server.flight.view.answer import Answer
from server.flight.view.landing import shown_landing
from server.flight.view.moved import moved, outlook_hours
from server.flight.view.search import shown_search
from server.flight.view.trackers import STUCK_FIXES, TrackerFixes, shown_tracker
from server.flight.view.vehicles import own_position, receivers, ways

_LEAST_LOST_AFTER_S = 150.0


class Shown(NamedTuple):
    state: FlightState
    alarms: tuple[Alarm, ...]
    rejected: int  # of its fixes


def shown_flight(flight: Flight, answer: Answer | None) -> Shown:
    """As of now, with the last prediction, if there is one."""
    mission = flight.mission
    latest = flight.track.latest()
    ground_m = _ground_m(flight, latest)
    fixes = _fixes_by_tracker(flight)
    landing, signs, lost_after_s = None, FallSigns(), 0.0
    if answer is not None:
        signs = fall_signs(answer.question) if answer.signs is None else answer.signs
        lost_after_s = silent_after_s(flight, answer.landing.as_of_s)
        landing = shown_landing(
            answer.question,
            answer.landing,
            mission.now_s,
            receivers(flight),
            lost_after_s,
            answer.drawn,
        )
    phase = flight.track.phase()
    state = FlightState(
        name=flight.plan.name,
        phase=phase,
        phase_probability=_probabilities(latest, phase),
        said=_said(flight),
        launch=_launch(flight),
        lift=flight.plan.balloon.lift,
        events=_events(flight),
        track=None if latest is None else _track(flight, latest, ground_m),
        landing=landing,
        moved=moved(flight, landing),
        outlook=outlook_hours(flight),
        ways=() if landing is None else ways(mission, landing, answer and answer.chase),
        trackers=_trackers(flight, fixes, phase, ground_m),
        sensors=_sensors(flight),
        search=shown_search(
            flight,
            landing,
            None if answer is None else answer.question,
            None if answer is None else answer.landing,
            None if answer is None else answer.search,
            lost_after_s,
        ),
    )
    rejected = sum(f.rejected for f in fixes.values())
    lost_from_s = None if answer is None else answer.landing.as_of_s + lost_after_s
    return Shown(state, shown_alarms(flight, state, _site_m(flight), signs, lost_from_s), rejected)


def _launch(flight: Flight) -> Launch:
    """As it was flown; before that as it is planned."""
    plan = flight.plan.launch
    flown = next((e for e in reversed(flight.events()) if e.kind == "launch"), None)
    latitude_deg, longitude_deg, altitude_m = plan.latitude_deg, plan.longitude_deg, plan.altitude_m
    if flown is not None and latitude_deg is None:
        latitude_deg, longitude_deg = map(float, flight.track.frame.to_latlon(flown.x_m, flown.y_m))
    if flown is not None and altitude_m is None:
        altitude_m = flown.altitude_m
    time_s = plan.time_s if flown is None else flown.time_s
    return Launch(maybe_moment(time_s), latitude_deg, longitude_deg, altitude_m)


def _trackers(
    flight: Flight, fixes: dict[str, TrackerFixes], phase: Phase, ground_m: float | None
) -> tuple[Tracker, ...]:
    own = own_position(flight.mission)
    return tuple(
        shown_tracker(
            name,
            plan,
            flight.mission.senders.get(name),
            fixes.get(name, TrackerFixes()),
            phase,
            flight.mission.now_s,
            ground_m,
            own,
        )
        for name, plan in flight.trackers.items()
    )


def silent_after_s(flight: Flight, as_of_s: float) -> float:
    """Without a fix for longer than this, contact with the payload is lost.

    That is when the last of the trackers that were heard about `as_of_s` is silent by its own interval.
    """
    lost_after_s = _LEAST_LOST_AFTER_S
    for name, plan in flight.trackers.items():
        sender = flight.mission.senders.get(name)
        if sender is None or sender.health.last_heard_s is None or plan.role == "phone":
            continue
        threshold_s = sender.health.threshold_s()
        if sender.health.last_heard_s > as_of_s - threshold_s:
            lost_after_s = max(lost_after_s, threshold_s)
    return lost_after_s


def _ground_m(flight: Flight, latest: Record | None) -> float | None:
    if latest is None:
        return _site_m(flight)
    return known_ground_m(latest, flight.plan, flight.mission.terrain)


def _site_m(flight: Flight) -> float | None:
    return site_m(flight.track.checkpoint().state, flight.plan)


def _probabilities(latest: Record | None, phase: Phase) -> dict[str, float]:
    """Of the motions; on the ground, one that neither climbs nor falls is rest, not a float."""
    if latest is None or latest.after.state is None:
        return {}
    found = dict(zip(MODE_NAMES, latest.after.state.probabilities, strict=True))
    if phase in ("ground", "landed"):
        found["ground"] += found["float"]
        found["float"] = 0.0
    return {name: round(p, 4) for name, p in found.items()}


def _said(flight: Flight) -> Said | None:
    said = last_said(flight.mission.commands, flight.mission.plan, flight.plan.name)
    if said is None:
        return None
    return Said(
        cast(Statement, said.name),
        moment(said.at_s),
        said.station,
    )


def _events(flight: Flight) -> tuple[Event, ...]:
    shown = []
    for event in flight.events():
        latitude_deg, longitude_deg = flight.track.frame.to_latlon(event.x_m, event.y_m)
        shown.append(
            Event(
                event.kind,
                moment(event.time_s),
                round(event.altitude_m, 1),
                float(latitude_deg),
                float(longitude_deg),
                moment(event.noticed_s),
            )
        )
    return tuple(shown)


def _track(flight: Flight, latest: Record, ground_m: float | None) -> Track:
    assert latest.after.state is not None
    x, y, z = latest.after.state.stated()
    latitude_deg, longitude_deg = flight.track.frame.to_latlon(x.position, y.position)
    convergence = flight.track.frame.convergence_deg(float(latitude_deg), float(longitude_deg))
    course_deg = (math.degrees(math.atan2(x.velocity, y.velocity)) + convergence) % 360.0
    return Track(
        time=moment(latest.fix.time_s),
        latitude_deg=float(latitude_deg),
        longitude_deg=float(longitude_deg),
        altitude_m=z.position,
        climb_ms=z.velocity,
        ground_speed_ms=math.hypot(x.velocity, y.velocity),
        course_deg=course_deg,
        sigma_h_m=latest.after.state.stated_sigma_h_m(),
        sigma_v_m=math.sqrt(z.var_position),
        height_above_ground_m=None if ground_m is None else z.position - ground_m,
        based_on=_based_on(flight, latest.fix.time_s),
    )


def _based_on(flight: Flight, time_s: float) -> tuple[str, ...]:
    recent: dict[str, None] = {}
    for record in reversed(flight.track.records()):
        if record.fix.time_s < time_s - 120.0:
            break
        if record.verdict.accepted:
            recent[record.fix.tracker] = None
    return tuple(sorted(recent))


def _fixes_by_tracker(flight: Flight) -> dict[str, TrackerFixes]:
    shown = flight.track.shown
    tracker, used = shown.tracker(), shown.flags("used")
    fixes = {}
    for i, name in enumerate(shown.names):
        its = np.flatnonzero(tracker == i)
        last = tuple(shown.verdicts[n] for n in its[-STUCK_FIXES:].tolist())
        fixes[name] = TrackerFixes(len(its), int((~used[its]).sum()), last)
    return fixes


def _sensors(flight: Flight) -> tuple[Sensor, ...]:
    shown = []
    for name in flight.trackers:
        sender = flight.mission.senders.get(name)
        for quantity, readings in sorted(sender.readings().items()) if sender else ():
            last = readings[-1]
            shown.append(Sensor(name, quantity, last.value, last.unit, moment(last.time_s)))
    return tuple(shown)
