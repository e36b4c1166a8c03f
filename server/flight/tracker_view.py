"""Each tracker as the crew sees it: its state, why, and what was last heard of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from server.flight.geodesy import distance_bearing
from server.flight.health import State
from server.flight.inputs import TrackerPlan
from server.flight.senders import Sender
from server.flight.sensors import Reading
from server.flight.times import clock, maybe_rfc3339
from server.flight.track.fixes import Verdict
from server.flight.track.phase_memory import Phase

_STUCK_REASONS = ("position unchanged", "altitude unchanged")
STUCK_FIXES = 2  # the latest, that are asked for
_PACKET_CHARACTERS = 300
_NAMED_SHARE = 0.3  # of packets missed: with it the alarm of silence comes later than planned


class TrackerFixes(NamedTuple):
    """What became of a tracker's fixes."""

    heard: int = 0
    rejected: int = 0
    last: tuple[Verdict, ...] = ()  # of the latest, in order of time

    def stuck_on(self) -> str | None:
        """The reason why its latest fixes tell nothing new; None when they do."""
        if len(self.last) < STUCK_FIXES:
            return None
        if all(v.reason is not None and v.reason.startswith(_STUCK_REASONS) for v in self.last):
            return self.last[-1].reason
        return None


def tracker_state(
    plan: TrackerPlan, sender: Sender | None, fixes: TrackerFixes, phase: Phase, now_s: float
) -> State:
    waiting = plan.role == "phone" and phase in ("unknown", "ground", "ascent", "float", "descent")
    if sender is None:
        return "waiting" if waiting else "never heard"
    state = sender.health.state(now_s)
    if state == "silent" and waiting:
        return "waiting"
    if state != "silent" and fixes.stuck_on() is not None:
        return "stuck"
    return state


def describe(
    name: str, plan: TrackerPlan, sender: Sender | None, fixes: TrackerFixes,
    phase: Phase, now_s: float, ground_m: float | None,
    own_car: tuple[float, float] | None,
) -> dict[str, Any]:  # fmt: skip
    """One entry of `trackers`, JSON-ready."""
    state = tracker_state(plan, sender, fixes, phase, now_s)
    entry: dict[str, Any] = {
        "name": name,
        "label": plan.name,
        "role": plan.role,
        "state": state,
        "text": _sentence(plan, sender, fixes, state, ground_m),
        "last_heard": None, "last_fix_time": None, "last_latitude_deg": None,
        "last_longitude_deg": None, "last_altitude_m": None, "interval_s": None,
        "heard": 0, "missed": 0, "copies": 0, "fixes": 0, "rejected": 0, "reject_reason": None,
        "last_packet": None, "last_path": None, "direct": False,
        "battery_percent": None, "voltage_v": None, "heard_by": [],
        "distance_m": None, "bearing_deg": None,
    }  # fmt: skip
    if sender is None:
        return entry
    health = sender.health
    last = fixes.last[-1] if fixes.last else None
    impossible = sender.latest_impossible()
    entry |= {
        "last_heard": maybe_rfc3339(health.last_heard_s),
        "interval_s": None if health.interval_s is None else round(health.interval_s, 1),
        "heard": health.heard,
        "missed": health.missed,
        "copies": health.copies,
        "fixes": fixes.heard,
        "rejected": fixes.rejected + len(sender.impossible),
        "reject_reason": impossible or (last.reason if last is not None else None),
        "heard_by": [
            {"name": station, "packets": packets}
            for station, packets in sorted(health.heard_by.items(), key=lambda e: (-e[1], e[0]))
            if packets > 0
        ],
    }
    if sender.packets:
        packet = sender.packets[-1]
        hearing = packet.hearings[0]
        entry |= {
            "last_packet": packet.text[:_PACKET_CHARACTERS],
            "last_path": _path(hearing.repeated_by, hearing.fed_by, hearing.source),
            "direct": any(h.direct for h in packet.hearings),
        }
    fix = sender.latest_fix()
    if fix is not None:
        entry |= {
            "last_fix_time": maybe_rfc3339(fix.time_s),
            "last_latitude_deg": fix.latitude_deg,
            "last_longitude_deg": fix.longitude_deg,
            "last_altitude_m": fix.altitude_m,
        }
        if own_car is not None:
            entry["distance_m"], entry["bearing_deg"] = distance_bearing(
                *own_car, fix.latitude_deg, fix.longitude_deg
            )
    report = sender.latest_report()
    if report is not None:
        entry["battery_percent"] = report.battery_percent
    entry["voltage_v"] = _voltage(sender.readings())
    return entry


def _path(repeated_by: Sequence[str], fed_by: str, source: str) -> str:
    way = " → ".join(repeated_by)
    if fed_by:
        return f"internet, from {fed_by}" + (f" after {way}" if way else "")
    return f"{source} by way of {way}" if way else f"{source}, directly"


def _voltage(readings: Mapping[str, Sequence[Reading]]) -> float | None:
    for quantity, values in sorted(readings.items()):
        in_volts = values[-1].unit.lower() in ("v", "volt", "volts")
        if in_volts and any(word in quantity.lower() for word in ("bat", "volt")):
            return values[-1].value
    return None


def _sentence(
    plan: TrackerPlan,
    sender: Sender | None,
    fixes: TrackerFixes,
    state: State,
    ground_m: float | None,
) -> str:
    if sender is None or sender.health.last_heard_s is None:
        if state == "waiting":
            return "Silent by rule in the air. Expected after the landing."
        return "Not heard yet."
    last = clock(sender.health.last_heard_s)
    interval_s = sender.health.interval_s
    every = f"every {interval_s:.0f} s" if interval_s is not None else "interval not known yet"
    if state == "waiting":
        return f"Silent by rule in the air, last heard at {last}. Expected after the landing."
    if state == "reporting":
        share = sender.health.missed_share
        often = f" {100.0 * share:.0f} % of its packets are missed." if share > _NAMED_SHARE else ""
        return f"Reports {every}.{often}"
    if state == "late":
        return f"Late: last heard at {last}, expected {every}."
    if state == "stuck":
        return f"Stuck: packets come, but {fixes.stuck_on()}. Not used."
    return f"Silent: last heard at {last}, expected {every}.{_last_height(sender, ground_m)}"


def _last_height(sender: Sender, ground_m: float | None) -> str:
    fix = sender.latest_fix()
    if fix is None or fix.altitude_m is None:
        return ""
    if ground_m is None:
        return f" Last at {fix.altitude_m:,.0f} m above sea level."
    return f" Last {fix.altitude_m - ground_m:,.0f} m above ground."
