"""The state as JSON-ready data: everything that the crew is shown, at one moment."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from server.flight import alarms
from server.flight.fall_signs import FallSigns, fall_signs
from server.flight.flight import Flight
from server.flight.landing.predict import Landing
from server.flight.landing.question import LandingQuestion, known_ground_m, site_m
from server.flight.landing_view import describe_area, describe_landing
from server.flight.problems import problems
from server.flight.times import clock, maybe_rfc3339, rfc3339
from server.flight.track.events import EventKind
from server.flight.track.modes import MODE_NAMES
from server.flight.track.phase_memory import Phase
from server.flight.track.records import Record
from server.flight.tracker_view import STUCK_FIXES, TrackerFixes, describe
from server.flight.vehicle_view import describe_vehicles, own_position, receivers

CAUTIONS = (
    "The driver does not operate this screen.",
    "Stay clear of power lines, water, railways and roads. Do not climb for it.",
    "Ask before you step on private land.",
    "Airspace and radio rules, and the licensed operator, decide. Local rules come first.",
    "No cellular phone transmits in the air.",
    "A prediction is not a promise: look up, and mind the road.",
)
_EVENT_TEXT: Mapping[EventKind, str] = {
    "launch": "Launched", "float": "Floats", "sink": "Sinks", "burst": "Burst",
    "landing": "At rest on the ground",
}  # fmt: skip
_LEAST_LOST_AFTER_S = 150.0


def snapshot(
    flight: Flight,
    landing: tuple[LandingQuestion, Landing] | None,
    signs: FallSigns | None = None,
) -> dict[str, Any]:
    """The whole state. `landing` is the last prediction with the question that it answers, `signs`
    what that question says of the fall: worked out here where it is not given, up to 0.1 s.
    """
    now_s = flight.now_s
    latest = flight.track.latest()
    ground_m = _ground_m(flight, latest)
    own = own_position(flight)
    fixes = _fixes_by_tracker(flight)
    phase = flight.track.phase()
    landing_data = None
    if landing is None:
        signs = FallSigns()
    else:
        signs = fall_signs(landing[0]) if signs is None else signs
        lost_after_s = _lost_after_s(flight, landing[1].as_of_s)
        landing_data = describe_landing(*landing, now_s, receivers(flight), lost_after_s)
    return {
        "now": rfc3339(now_s),
        "number": flight.counts.total,
        "flight": _flight(flight),
        "phase": phase,
        "phase_probability": _probabilities(latest, phase),
        "said": _said(flight),
        "events": _events(flight),
        "track": None if latest is None else _track(flight, latest, ground_m),
        "landing": landing_data,
        "trackers": [
            describe(
                name, plan, flight.senders.get(name), fixes.get(name, TrackerFixes()),
                phase, now_s, ground_m, own,
            )
            for name, plan in flight.trackers.items()
        ],
        "stations": _stations(flight),
        "vehicles": describe_vehicles(flight, landing_data),
        "sensors": _sensors(flight),
        "alarms": _alarms(flight, ground_m, signs),
        "receptions": {
            "total": flight.counts.total,
            "undecodable": flight.counts.undecodable,
            "rejected": sum(f.rejected for f in fixes.values())
            + sum(len(s.impossible) for s in flight.senders.values()),
            "copies": sum(s.health.copies for s in flight.senders.values()),
        },
        "plan_problems": problems(flight),
        "cautions": list(CAUTIONS),
        "avoid": [describe_area(area) for area in flight.plan.avoid],
    }  # fmt: skip


def _flight(flight: Flight) -> dict[str, Any]:
    launch = flight.plan.launch
    flown = next((e for e in reversed(flight.events()) if e.kind == "launch"), None)
    latitude_deg, longitude_deg = launch.latitude_deg, launch.longitude_deg
    if latitude_deg is None and flown is not None:
        latitude_deg, longitude_deg = map(float, flight.track.frame.to_latlon(flown.x_m, flown.y_m))
    lift = flight.plan.balloon.lift
    return {
        "name": flight.plan.flight,
        "launch_time": maybe_rfc3339(flown.time_s if flown else launch.time_s),
        "launch_latitude_deg": latitude_deg,
        "launch_longitude_deg": longitude_deg,
        "launch_altitude_m": launch.altitude_m
        if launch.altitude_m is not None
        else (flown.altitude_m if flown else None),
        "lift": None if lift is None else lift.text,
    }


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


def _said(flight: Flight) -> dict[str, Any] | None:
    said = flight.phase_said()
    if said is None:
        return None
    return {"said": said.name, "time": rfc3339(said.at_s), "station": said.station}


def _events(flight: Flight) -> list[dict[str, Any]]:
    entries = []
    for event in flight.events():
        latitude_deg, longitude_deg = flight.track.frame.to_latlon(event.x_m, event.y_m)
        entries.append({
            "kind": event.kind,
            "time": rfc3339(event.time_s),
            "altitude_m": round(event.altitude_m, 1),
            "latitude_deg": float(latitude_deg),
            "longitude_deg": float(longitude_deg),
            "text": f"{_EVENT_TEXT[event.kind]} at {event.altitude_m:,.0f} m, {clock(event.time_s)}",
        })  # fmt: skip
    return entries


def _track(flight: Flight, latest: Record, ground_m: float | None) -> dict[str, Any]:
    assert latest.after.state is not None
    x, y, z = latest.after.state.stated()
    latitude_deg, longitude_deg = flight.track.frame.to_latlon(x.position, y.position)
    convergence = flight.track.frame.convergence_deg(float(latitude_deg), float(longitude_deg))
    course_deg = (math.degrees(math.atan2(x.velocity, y.velocity)) + convergence) % 360.0
    return {
        "time": rfc3339(latest.fix.time_s),
        "latitude_deg": float(latitude_deg),
        "longitude_deg": float(longitude_deg),
        "altitude_m": z.position,
        "climb_ms": z.velocity,
        "ground_speed_ms": math.hypot(x.velocity, y.velocity),
        "course_deg": course_deg,
        "sigma_h_m": math.sqrt((x.var_position + y.var_position) / 2),
        "sigma_v_m": math.sqrt(z.var_position),
        "height_above_ground_m": None if ground_m is None else z.position - ground_m,
        "based_on": _based_on(flight, latest.fix.time_s),
    }


def _based_on(flight: Flight, time_s: float) -> list[str]:
    recent: dict[str, None] = {}
    for record in reversed(flight.track.records()):
        if record.fix.time_s < time_s - 120.0:
            break
        if record.verdict.accepted:
            recent[record.fix.tracker] = None
    return sorted(recent)


def _fixes_by_tracker(flight: Flight) -> dict[str, TrackerFixes]:
    shown = flight.track.shown
    tracker, used = shown.tracker(), shown.flags("used")
    fixes = {}
    for i, name in enumerate(shown.names):
        its = np.flatnonzero(tracker == i)
        last = tuple(shown.verdicts[n] for n in its[-STUCK_FIXES:].tolist())
        fixes[name] = TrackerFixes(len(its), int((~used[its]).sum()), last)
    return fixes


def _stations(flight: Flight) -> list[dict[str, Any]]:
    entries = []
    for name, sender in sorted(flight.senders.items()):
        if name in flight.trackers or name in flight.vehicles:
            continue
        fix = sender.latest_fix()
        entries.append({
            "name": name,
            "last_heard": maybe_rfc3339(sender.health.last_heard_s),
            "latitude_deg": None if fix is None else fix.latitude_deg,
            "longitude_deg": None if fix is None else fix.longitude_deg,
            "altitude_m": None if fix is None else fix.altitude_m,
            "packets": sender.health.heard,
        })  # fmt: skip
    return entries


def _sensors(flight: Flight) -> list[dict[str, Any]]:
    entries = []
    for name in flight.trackers:
        sender = flight.senders.get(name)
        for quantity, readings in sorted(sender.readings().items()) if sender else ():
            last = readings[-1]
            entries.append({
                "tracker": name, "quantity": quantity, "value": last.value, "unit": last.unit,
                "time": rfc3339(last.time_s),
            })  # fmt: skip
    return entries


def _alarms(flight: Flight, ground_m: float | None, signs: FallSigns) -> list[dict[str, Any]]:
    acknowledged = {c.name for c in flight.commands if c.kind == "acknowledge"}
    raised = list(alarms.of_events(flight.events(), _site_m(flight)))
    raised += alarms.of_withdrawn(flight.track.checkpoint().phase.withdrawn)
    limit_m = flight.plan.alarms.low_height_m
    raised += alarms.of_fall(signs)
    raised += alarms.of_low_point(_low_point(flight, ground_m, limit_m), limit_m)
    for name, plan in flight.trackers.items():
        sender = flight.senders.get(name)
        if sender is not None and plan.role != "phone":
            health = sender.health
            raised += alarms.of_silences(
                name, plan.name, health.silences(flight.now_s), health.interval_s
            )
    return [
        {
            "id": a.id, "kind": a.kind, "severity": a.severity, "time": rfc3339(a.time_s),
            "text": a.text, "acknowledged": a.id in acknowledged,
        }
        for a in sorted(raised, key=lambda a: (a.time_s, a.id))
    ]  # fmt: skip


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
