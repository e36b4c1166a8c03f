"""The state as JSON-ready data: everything that the crew is shown, at one moment."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from server.flight import alarms
from server.flight.chase.contact import Receiver
from server.flight.chase.vehicles import VehicleFix, drive
from server.flight.flight import Flight
from server.flight.inputs import VehiclePlan
from server.flight.landing.predict import Landing
from server.flight.landing.question import LandingQuestion
from server.flight.landing_view import describe_area, describe_landing
from server.flight.times import clock, maybe_rfc3339, parse_time, rfc3339
from server.flight.track.filter import UNSEEN_GROUND_M
from server.flight.track.modes import MODE_NAMES
from server.flight.track.phase import EventKind
from server.flight.track.track import Record
from server.flight.tracker_view import TrackerFixes, describe

CAUTIONS = (
    "The driver does not operate this screen.",
    "Stay clear of power lines, water, railways and roads. Do not climb for it.",
    "Ask before you step on private land.",
    "Airspace and radio rules, and the licensed operator, decide. Local rules come first.",
    "No cellular phone transmits in the air.",
    "A prediction is not a promise: look up, and mind the road.",
)
_EVENT_TEXT: Mapping[EventKind, str] = {
    "launch": "Launched", "float": "Floats", "burst": "Burst", "landing": "At rest on the ground",
}  # fmt: skip


def snapshot(flight: Flight, landing: tuple[LandingQuestion, Landing] | None) -> dict[str, Any]:
    """The whole state. `landing` is the last prediction with the question that it answers."""
    now_s = flight.now_s
    latest = flight.track.latest()
    ground_m = _ground_m(flight, landing)
    own = _own_position(flight)
    fixes = _fixes_by_tracker(flight)
    phase = flight.track.phase()
    landing_data = None
    if landing is not None:
        landing_data = describe_landing(*landing, now_s, _receivers(flight))
    return {
        "now": rfc3339(now_s),
        "number": flight.counts.total,
        "flight": _flight(flight),
        "phase": phase,
        "phase_probability": _probabilities(latest),
        "events": _events(flight),
        "track": None if latest is None else _track(flight, latest, ground_m),
        "landing": landing_data,
        "trackers": [
            describe(
                name, plan, flight.senders.get(name), fixes.get(name, TrackerFixes([])),
                phase, now_s, ground_m, own,
            )
            for name, plan in flight.trackers.items()
        ],
        "stations": _stations(flight),
        "vehicles": _vehicles(flight, landing_data),
        "sensors": _sensors(flight),
        "alarms": _alarms(flight, ground_m),
        "receptions": {
            "total": flight.counts.total,
            "undecodable": flight.counts.undecodable,
            "rejected": sum(f.rejected for f in fixes.values())
            + sum(len(s.impossible) for s in flight.senders.values()),
            "copies": sum(s.health.copies for s in flight.senders.values()),
        },
        "plan_problems": _clock_problem(flight),
        "cautions": list(CAUTIONS),
        "avoid": [describe_area(area) for area in flight.plan.avoid],
    }  # fmt: skip


def _clock_problem(flight: Flight) -> list[str]:
    ahead_s = flight.now_ahead_s
    if ahead_s == 0.0:
        return []
    side = "ahead of" if ahead_s > 0 else "behind"
    minutes, seconds = divmod(round(abs(ahead_s)), 60)
    return [
        f"This computer's clock is {minutes} min {seconds} s {side} GPS time. "
        "The times shown are put right; set the clock."
    ]


def _flight(flight: Flight) -> dict[str, Any]:
    launch = flight.plan.launch
    flown = next((e for e in flight.events() if e.kind == "launch"), None)
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


def _ground_m(flight: Flight, landing: tuple[LandingQuestion, Landing] | None) -> float | None:
    if landing is not None and flight.terrain is not None:
        return landing[0].ground.altitude_m
    if flight.plan.launch.altitude_m is not None:
        return flight.plan.launch.altitude_m
    state = flight.track.checkpoint().state
    return None if state is None or state.lowest_m == UNSEEN_GROUND_M else state.lowest_m


def _probabilities(latest: Record | None) -> dict[str, float]:
    if latest is None or latest.after.state is None:
        return {}
    return {
        name: round(p, 4)
        for name, p in zip(MODE_NAMES, latest.after.state.probabilities, strict=True)
    }


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
    fixes: dict[str, TrackerFixes] = {}
    for record, verdict in zip(flight.track.records(), flight.track.verdicts(), strict=True):
        fixes.setdefault(record.fix.tracker, TrackerFixes([])).verdicts.append(verdict)
    return fixes


def _launch_site(flight: Flight) -> tuple[float, float] | None:
    launch = flight.plan.launch
    if launch.latitude_deg is None or launch.longitude_deg is None:
        return None
    return launch.latitude_deg, launch.longitude_deg


def _receivers(flight: Flight) -> list[Receiver]:
    """The own car first, then the others; the launch site where no car carries this station."""
    cars = [
        (not own, Receiver(name, fix.latitude_deg, fix.longitude_deg))
        for name, (own, _, fix) in sorted(_vehicle_latest(flight).items())
    ]
    cars.sort(key=lambda car: car[0])
    site = _launch_site(flight)
    if site is not None and not any(not other for other, _ in cars):
        cars.insert(0, (False, Receiver("launch site", *site)))
    return [receiver for _, receiver in cars]


def vehicle_fixes(flight: Flight, name: str) -> list[VehicleFix]:
    """All positions of a vehicle that is heard under `name`, in order of time."""
    sender = flight.senders.get(name)
    if sender is None:
        return []
    return [
        VehicleFix(
            f.time_s, f.latitude_deg, f.longitude_deg, f.altitude_m, f.speed_ms, f.course_deg, name
        )
        for f in sender.all_fixes()
    ]


def _vehicle_latest(flight: Flight) -> dict[str, tuple[bool, str, VehicleFix]]:
    """By vehicle name: own, name heard, and its latest position from radio, gpsd or the crew."""
    found: dict[str, tuple[bool, str, VehicleFix]] = {}

    def offer(name: str, own: bool, heard: str, fix: VehicleFix) -> None:
        if name not in found or fix.time_s >= found[name][2].time_s:
            found[name] = (own, heard, fix)

    for heard, plan in flight.vehicles.items():
        sender = flight.senders.get(heard)
        f = sender.latest_fix() if sender is not None else None
        if f is not None:
            offer(plan.name, plan.own, heard, VehicleFix(
                f.time_s, f.latitude_deg, f.longitude_deg, f.altitude_m, f.speed_ms, f.course_deg,
                heard,
            ))  # fmt: skip
    own = {plan.name: plan.own for plan in flight.vehicles.values()}
    for command in flight.commands:
        if command.kind == "vehicle" and command.latitude_deg is not None:
            assert command.longitude_deg is not None
            offer(command.name, own.get(command.name, False), command.name, VehicleFix(
                command.at_s, command.latitude_deg, command.longitude_deg, None, None, None, "crew",
            ))  # fmt: skip
    return found


def _own_position(flight: Flight) -> tuple[float, float] | None:
    for own, _, fix in _vehicle_latest(flight).values():
        if own:
            return fix.latitude_deg, fix.longitude_deg
    return None


def _vehicles(flight: Flight, landing: dict[str, Any] | None) -> list[dict[str, Any]]:
    plans = {plan.name: plan for plan in flight.plan.vehicles}
    entries = []
    for name, (own, _, fix) in sorted(_vehicle_latest(flight).items()):
        entry: dict[str, Any] = {
            "name": name, "own": own, "source": fix.source, "time": rfc3339(fix.time_s),
            "latitude_deg": fix.latitude_deg, "longitude_deg": fix.longitude_deg,
            "speed_ms": fix.speed_ms, "course_deg": fix.course_deg,
            "distance_m": None, "bearing_deg": None, "road_distance_m": None,
            "drive_s": None, "arrives": None, "arrives_before_landing_s": None,
        }  # fmt: skip
        if landing is not None:
            plan = plans.get(name, VehiclePlan(name))
            way = drive(plan, fix, landing["latitude_deg"], landing["longitude_deg"])
            arrives_s = max(flight.now_s, fix.time_s) + way.drive_s
            entry |= {
                "distance_m": way.distance_m,
                "bearing_deg": way.bearing_deg,
                "road_distance_m": way.road_distance_m,
                "drive_s": way.drive_s,
                "arrives": rfc3339(arrives_s),
                "arrives_before_landing_s": _seconds(landing["time"]) - arrives_s,
            }
        entries.append(entry)
    return entries


def _seconds(time: str) -> float:
    return parse_time(time) / 1000.0


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


def _alarms(flight: Flight, ground_m: float | None) -> list[dict[str, Any]]:
    acknowledged = {c.name for c in flight.commands if c.kind == "acknowledge"}
    raised = list(alarms.of_events(flight.events(), ground_m))
    limit_m = flight.plan.alarms.low_height_m
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
    low: alarms.LowPoint | None = None
    for record in reversed(flight.track.records()):
        phase, state = record.after.phase.phase, record.after.state
        if phase not in ("descent", "landed") or state is None:
            break
        if not record.verdict.accepted:
            continue
        height_m = state.mixed().z.position - ground_m
        if height_m >= limit_m:
            break
        if phase == "descent":
            low = alarms.LowPoint(record.fix.time_s, height_m)
    return low
