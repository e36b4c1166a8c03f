"""Each tracker as it is shown: its state, and what was last heard of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from server.flight.inputs import TrackerPlan
from server.flight.packets.senders import Sender
from server.flight.packets.sensors import Reading
from server.flight.physics.geodesy import distance_bearing
from server.flight.state import Phase
from server.flight.times import maybe_moment
from server.flight.track.fixes import Verdict
from server.flight.tracker_state import Heard, HeardBy, RejectionKind, Tracker, TrackerState

_STUCK = (RejectionKind.FROZEN, RejectionKind.STUCK)
STUCK_FIXES = 2  # the latest, that are asked for
_PACKET_CHARACTERS = 300


class TrackerFixes(NamedTuple):
    """What became of a tracker's fixes."""

    heard: int = 0
    rejected: int = 0
    last: tuple[Verdict, ...] = ()  # of the latest, in order of time

    @property
    def stuck(self) -> bool:
        """Its latest fixes tell nothing new."""
        reasons = [v.reason.kind for v in self.last if v.reason is not None]
        return len(reasons) == STUCK_FIXES and all(kind in _STUCK for kind in reasons)


def tracker_state(
    plan: TrackerPlan, sender: Sender | None, fixes: TrackerFixes, phase: Phase, now_s: float
) -> TrackerState:
    waiting = plan.role == "phone" and phase != "landed"
    if sender is None:
        return "waiting" if waiting else "never heard"
    state = sender.health.state(now_s)
    if state == "silent" and waiting:
        return "waiting"
    if state != "silent" and fixes.stuck:
        return "stuck"
    return state


def shown_tracker(
    name: str,
    plan: TrackerPlan,
    sender: Sender | None,
    fixes: TrackerFixes,
    phase: Phase,
    now_s: float,
    ground_m: float | None,
    own_car: tuple[float, float] | None,
) -> Tracker:
    """`ground_m`: altitude of the ground under the payload; `own_car`: latitude and longitude."""
    state = tracker_state(plan, sender, fixes, phase, now_s)
    if sender is None:
        return Tracker(name, plan.name, plan.role, state)
    health = sender.health
    last = fixes.last[-1] if fixes.last else None
    report = sender.latest_report()
    shown = Tracker(
        name,
        plan.name,
        plan.role,
        state,
        last_heard=maybe_moment(health.last_heard_s),
        interval_s=None if health.interval_s is None else round(health.interval_s, 1),
        heard=health.heard,
        missed=health.missed,
        copies=health.copies,
        fixes=fixes.heard,
        rejected=fixes.rejected + len(sender.impossible),
        last_rejection=sender.latest_impossible() or (last.reason if last is not None else None),
        heard_by=tuple(
            HeardBy(station, packets)
            for station, packets in sorted(health.heard_by.items(), key=lambda e: (-e[1], e[0]))
            if packets > 0
        ),
        battery_percent=None if report is None else report.battery_percent,
        satellites=None
        if report is None or report.satellites is None
        else round(report.satellites),
        voltage_v=_voltage(sender.readings()),
    )
    if sender.packets:
        packet = sender.packets[-1]
        first = packet.hearings[0]
        direct = any(h.direct for h in packet.hearings)
        way = Heard(first.source, tuple(first.repeated_by), first.fed_by, direct)
        shown = replace(shown, last_packet=packet.text[:_PACKET_CHARACTERS], last_way=way)
    return _with_fix(shown, sender, ground_m, own_car)


def _with_fix(
    shown: Tracker, sender: Sender, ground_m: float | None, own_car: tuple[float, float] | None
) -> Tracker:
    fix = sender.latest_fix()
    if fix is None:
        return shown
    height_m = None
    if ground_m is not None and fix.altitude_m is not None:
        height_m = fix.altitude_m - ground_m
    shown = replace(
        shown,
        last_fix_time=maybe_moment(fix.time_s),
        last_latitude_deg=fix.latitude_deg,
        last_longitude_deg=fix.longitude_deg,
        last_altitude_m=fix.altitude_m,
        last_height_above_ground_m=height_m,
    )
    if own_car is None:
        return shown
    distance_m, bearing_deg = distance_bearing(*own_car, fix.latitude_deg, fix.longitude_deg)
    return replace(shown, distance_m=distance_m, bearing_deg=bearing_deg)


def _voltage(readings: Mapping[str, Sequence[Reading]]) -> float | None:
    for quantity, values in sorted(readings.items()):
        in_volts = values[-1].unit.lower() in ("v", "volt", "volts")
        if in_volts and any(word in quantity.lower() for word in ("bat", "volt")):
            return values[-1].value
    return None
