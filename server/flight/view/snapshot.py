"""The state of a mission at one moment, made from the books and the last prediction."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import cast

import numpy as np

from server.flight import alarms
from server.flight.crew_said import last_said
from server.flight.flight import Flight
from server.flight.landing.fall_signs import FallSigns, fall_signs
from server.flight.landing.predict import Landing as Predicted
from server.flight.landing.question import LandingQuestion, known_ground_m, site_m
from server.flight.mission_state import Alarm, Receptions, Sender, State
from server.flight.state import (
    Event,
    FlightState,
    Launch,
    Phase,
    Said,
    Sensor,
    Statement,
    Track,
    Tracker,
)
from server.flight.times import maybe_moment, moment
from server.flight.track.modes import MODE_NAMES
from server.flight.track.records import Record
from server.flight.view.landing import shown_area, shown_landing
from server.flight.view.problems import problems
from server.flight.view.trackers import STUCK_FIXES, TrackerFixes, shown_tracker
from server.flight.view.vehicles import own_position, receivers, shown_vehicles

_LEAST_LOST_AFTER_S = 150.0


def snapshot(
    flight: Flight,
    answer: tuple[LandingQuestion, Predicted] | None,
    signs: FallSigns | None = None,
) -> State:
    """The state as of now. `answer`: the last prediction with the question that it answers; `signs`:
    what that question says of the fall, worked out here where it is not given (up to 0.1 s).

    What a session adds (mode, sources, links, a replay's place) is empty.
    """
    latest = flight.track.latest()
    ground_m = _ground_m(flight, latest)
    fixes = _fixes_by_tracker(flight)
    landing = None
    if signs is None:
        signs = FallSigns() if answer is None else fall_signs(answer[0])
    if answer is not None:
        lost_after_s = _lost_after_s(flight, answer[1].as_of_s)
        landing = shown_landing(*answer, flight.now_s, receivers(flight), lost_after_s)
    phase = flight.track.phase()
    shown = FlightState(
        name=flight.plan.flight,
        phase=phase,
        phase_probability=_probabilities(latest, phase),
        said=_said(flight),
        launch=_launch(flight),
        lift=flight.plan.balloon.lift,
        events=_events(flight),
        track=None if latest is None else _track(flight, latest, ground_m),
        landing=landing,
        trackers=_trackers(flight, fixes, phase, ground_m),
        sensors=_sensors(flight),
    )
    return State(
        now=moment(flight.now_s),
        number=flight.counts.total,
        mode="replay",
        station=flight.plan.station,
        units="metric",
        flights=(shown,),
        vehicles=shown_vehicles(flight, landing),
        senders=_senders(flight),
        alarms=_alarms(flight, shown, ground_m, signs),
        sources=(),
        links=(),
        receptions=Receptions(
            total=flight.counts.total,
            undecodable=flight.counts.undecodable,
            rejected=sum(f.rejected for f in fixes.values())
            + sum(len(s.impossible) for s in flight.senders.values()),
            copies=sum(s.health.copies for s in flight.senders.values()),
        ),
        problems=problems(flight),
        avoid=tuple(shown_area(area) for area in flight.plan.avoid),
        replay=None,
    )


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
    own = own_position(flight)
    return tuple(
        shown_tracker(
            name, plan, flight.senders.get(name), fixes.get(name, TrackerFixes()),
            phase, flight.now_s, ground_m, own,
        )
        for name, plan in flight.trackers.items()
    )  # fmt: skip


def _lost_after_s(flight: Flight, as_of_s: float) -> float:
    """Without a fix for longer than this, contact with the payload is lost.

    That is when the last of the trackers that were heard about `as_of_s` is silent by its own interval.
    """
    lost_after_s = _LEAST_LOST_AFTER_S
    for name, plan in flight.trackers.items():
        sender = flight.senders.get(name)
        if sender is None or sender.health.last_heard_s is None or plan.role == "phone":
            continue
        threshold_s = sender.health.threshold_s()
        if sender.health.last_heard_s > as_of_s - threshold_s:
            lost_after_s = max(lost_after_s, threshold_s)
    return lost_after_s


def _ground_m(flight: Flight, latest: Record | None) -> float | None:
    if latest is None:
        return _site_m(flight)
    return known_ground_m(latest, flight.plan, flight.terrain)


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
    said = last_said(flight.commands)
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
                event.kind, moment(event.time_s), round(event.altitude_m, 1),
                float(latitude_deg), float(longitude_deg), moment(event.noticed_s),
            )
        )  # fmt: skip
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
        sigma_h_m=math.sqrt((x.var_position + y.var_position) / 2),
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


def _senders(flight: Flight) -> tuple[Sender, ...]:
    """Whoever is heard and is neither a tracker nor a vehicle."""
    shown = []
    for name, sender in sorted(flight.senders.items()):
        if name in flight.trackers or name in flight.vehicles:
            continue
        fix = sender.latest_fix()
        place: tuple[float | None, float | None, float | None] = (None, None, None)
        if fix is not None:
            place = (fix.latitude_deg, fix.longitude_deg, fix.altitude_m)
        heard = maybe_moment(sender.health.last_heard_s)
        shown.append(Sender(name, heard, *place, sender.health.heard))
    return tuple(shown)


def _sensors(flight: Flight) -> tuple[Sensor, ...]:
    shown = []
    for name in flight.trackers:
        sender = flight.senders.get(name)
        for quantity, readings in sorted(sender.readings().items()) if sender else ():
            last = readings[-1]
            shown.append(Sensor(name, quantity, last.value, last.unit, moment(last.time_s)))
    return tuple(shown)


def _alarms(
    flight: Flight, shown: FlightState, ground_m: float | None, signs: FallSigns
) -> tuple[Alarm, ...]:
    acknowledged = {c.name for c in flight.commands if c.kind == "acknowledge"}
    limit_m = flight.plan.alarms.low_height_m
    evidence = alarms.Evidence(
        shown=shown,
        events=flight.events(),
        withdrawn=flight.track.checkpoint().phase.withdrawn,
        site_m=_site_m(flight),
        fall=signs,
        low=_low_point(flight, ground_m, limit_m),
        low_limit_m=limit_m,
        beacons=_beacons(flight),
    )
    return tuple(
        Alarm(
            one.id, one.kind, one.severity, flight.plan.flight, moment(one.from_s),
            maybe_moment(one.until_s), one.id in acknowledged, one.facts,
        )
        for one in alarms.alarms(evidence)
    )  # fmt: skip


def _beacons(flight: Flight) -> Sequence[alarms.Beacon]:
    """Of the trackers that are to be heard in the air."""
    found = []
    for name, plan in flight.trackers.items():
        sender = flight.senders.get(name)
        if sender is not None and plan.role != "phone":
            health = sender.health
            silences = health.silences(flight.now_s)
            found.append(alarms.Beacon(name, plan.name, health.interval_s, silences))
    return found


def _low_point(flight: Flight, ground_m: float | None, limit_m: float) -> alarms.LowPoint | None:
    if ground_m is None:
        return None
    shown = flight.track.shown
    fell, accepted = shown.flags("falls_or_fell"), shown.flags("accepted")
    height_m = shown.column("stated_z_m") - ground_m
    ends = ~fell | (accepted & (height_m >= limit_m))
    first = int(np.flatnonzero(ends)[-1]) + 1 if ends.any() else 0
    low = np.flatnonzero(shown.flags("falls")[first:] & accepted[first:])
    if not low.size:
        return None
    i = first + int(low[0])
    return alarms.LowPoint(shown.records[i].fix.time_s, float(height_m[i]))
