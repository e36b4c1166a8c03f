"""The figures of a flight: climb, fall, speed, distance; each tracker's; what was uncertain."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import NamedTuple

from server.debrief.predictions import FLYING
from server.debrief.receivers import Far, farthest
from server.debrief.record import FlightRecord
from server.debrief.words import metres, moment
from server.flight.packets.senders import Sender
from server.flight.physics.geodesy import distance_bearing
from server.flight.tracker_state import Rejection, RejectionKind

_GAP_S = 180.0  # without a fix that was used: longer ones are told
_WIDE_M = 100.0  # 1 sigma of the smoothed position above this is told
_LAST_FALL_M = 1_500.0  # of the descent: what the landing felt like


class Figures(NamedTuple):
    """SI; None where the flight did not show it."""

    burst_altitude_m: float | None
    highest_m: float | None
    ascent_rate_ms: float | None
    descent_rate_low_ms: float | None  # mean over the last 1,500 m that were seen
    highest_ground_speed_ms: float | None
    distance_m: float | None  # launch to landing
    duration_s: float | None
    ascent_s: float | None
    descent_s: float | None


def figures(record: FlightRecord) -> Figures:
    launch, burst = record.first("launch"), record.last("burst")
    flown = [p for p in record.track if p.phase in FLYING]
    rate_ms = distance_m = duration_s = ascent_s = descent_s = None
    if launch and burst and burst.time_s > launch.time_s:
        ascent_s = burst.time_s - launch.time_s
        rate_ms = (burst.altitude_m - launch.altitude_m) / ascent_s
    if launch and record.landing:
        place = record.landing
        distance_m, _ = distance_bearing(
            launch.latitude_deg, launch.longitude_deg, place.latitude_deg, place.longitude_deg
        )
    down_s = record.landing.time_s if record.landing and record.landing.known else None
    if launch and down_s is not None:
        duration_s = down_s - launch.time_s
    if burst and down_s is not None:
        descent_s = down_s - burst.time_s
    return Figures(
        None if burst is None else burst.altitude_m,
        max((p.altitude_m for p in flown), default=None),
        rate_ms,
        _low_descent_ms(record),
        max((p.ground_speed_ms for p in flown), default=None),
        distance_m,
        duration_s,
        ascent_s,
        descent_s,
    )


def _low_descent_ms(record: FlightRecord) -> float | None:
    falling = [p for p in record.track if p.phase == "descent" and p.climb_ms < -0.5]
    if len(falling) < 2:
        return None
    low = [p for p in falling if p.altitude_m < falling[-1].altitude_m + _LAST_FALL_M]
    first, last = low[0], low[-1]
    if last.time_s - first.time_s < 30.0:
        return None
    return (first.altitude_m - last.altitude_m) / (last.time_s - first.time_s)


class TrackerShare(NamedTuple):
    name: str
    label: str
    role: str
    sent: int  # as inferred from its interval
    heard: int
    missed: int
    copies: int
    interval_s: float | None
    longest_gap_s: float | None  # between packets in the air
    gap_from_s: float | None
    fixes: int
    used: int
    share: float  # of the fixes that were used
    farthest: Far | None
    heard_by: Sequence[tuple[str, int]]
    reasons: Sequence[tuple[Rejection, int]]  # alike in kind; the first of them


def tracker_shares(record: FlightRecord) -> list[TrackerShare]:
    used_by: dict[str, int] = {}
    reasons: dict[str, dict[RejectionKind, tuple[Rejection, int]]] = {}
    for fix, verdict in record.raw:
        if verdict.accepted:
            used_by[fix.tracker] = used_by.get(fix.tracker, 0) + 1
        elif verdict.reason:
            told = reasons.setdefault(fix.tracker, {})
            first, count = told.get(verdict.reason.kind, (verdict.reason, 0))
            told[verdict.reason.kind] = first, count + 1
    total = max(sum(used_by.values()), 1)
    far = farthest(record)
    shares = []
    for entry in record.shown.trackers:
        name = entry.name
        sender = record.mission.senders.get(name)
        gap = None if sender is None else _longest_gap(record, sender)
        shares.append(
            TrackerShare(
                name,
                entry.label,
                entry.role,
                entry.heard + entry.missed,
                entry.heard,
                entry.missed,
                entry.copies,
                entry.interval_s,
                None if gap is None else gap[0],
                None if gap is None else gap[1],
                entry.fixes,
                used_by.get(name, 0),
                used_by.get(name, 0) / total,
                max((f for (tracker, _), f in far.items() if tracker == name), default=None),
                [(h.name, h.packets) for h in entry.heard_by],
                sorted(reasons.get(name, {}).values(), key=lambda r: -r[1]),
            )
        )
    return shares


def _longest_gap(record: FlightRecord, sender: Sender) -> tuple[float, float] | None:
    launch, landing = record.first("launch"), record.last("landing")
    from_s = -math.inf if launch is None else launch.time_s
    to_s = math.inf if landing is None else landing.time_s
    heard = [p.first_heard_s for p in sender.packets if from_s <= p.first_heard_s <= to_s]
    gaps = [(b - a, a) for a, b in itertools.pairwise(heard)]
    return max(gaps, default=None)


class Uncertain(NamedTuple):
    from_s: float
    to_s: float
    words: str


def uncertain(record: FlightRecord) -> list[Uncertain]:
    """Stretches of the flight where the track rests on little: gaps, and points with wide errors."""
    found = []
    flown = [p for p in record.track if p.phase in FLYING]
    for a, b in itertools.pairwise(flown):
        if b.time_s - a.time_s > _GAP_S:
            found.append(
                Uncertain(
                    a.time_s,
                    b.time_s,
                    (
                        f"no fix for {(b.time_s - a.time_s) / 60:.1f} min, from {metres(a.altitude_m)} "
                        f"to {metres(b.altitude_m)}"
                    ),
                )
            )
    wide = [p for p in flown if p.sigma_h_m > _WIDE_M]
    if wide:
        worst = max(wide, key=lambda p: p.sigma_h_m)
        found.append(
            Uncertain(
                wide[0].time_s,
                wide[-1].time_s,
                (
                    f"{len(wide)} points with a standard deviation above {metres(_WIDE_M)}, "
                    f"the widest {metres(worst.sigma_h_m)} at {moment(worst.time_s)}"
                ),
            )
        )
    last, landing = (flown[-1] if flown else None), record.last("landing")
    if last is not None and landing is not None and landing.time_s - last.time_s > _GAP_S:
        found.append(
            Uncertain(
                last.time_s,
                landing.time_s,
                (
                    f"last heard in the air at {metres(last.altitude_m)}; the first fix on the ground came "
                    f"{(landing.time_s - last.time_s) / 60:.1f} min later, so the touchdown lies between"
                ),
            )
        )
    return found
