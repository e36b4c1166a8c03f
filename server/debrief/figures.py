"""The figures of a flight: climb, fall, speed, distance; trackers and receivers; what was uncertain."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from server.debrief.record import FLYING, FlightRecord
from server.flight.chase.horizon import CAR_ANTENNA_M, EFFECTIVE_EARTH_RADIUS_M
from server.flight.geodesy import distance_bearing
from server.flight.senders import Sender
from server.flight.snapshot import vehicle_fixes
from server.flight.times import clock
from server.flight.track.arrivals import Hearing, timed

_GAP_S = 180.0  # without a fix that was used: longer ones are told
_WIDE_M = 100.0  # 1 sigma of the smoothed position above this is told
_LAST_FALL_M = 1_500.0  # of the descent: what the landing felt like
_NEAR_S = 60.0  # a car's position serves for receptions this near in time


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


class Far(NamedTuple):
    """A packet heard directly from far away, by whom, and how high it stood above the horizontal."""

    station: str
    distance_m: float
    altitude_m: float
    elevation_deg: float


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
    reasons: Sequence[tuple[str, int]]


def tracker_shares(record: FlightRecord) -> list[TrackerShare]:
    used_by: dict[str, int] = {}
    reasons: dict[str, dict[str, int]] = {}
    for fix, verdict in record.raw:
        if verdict.accepted:
            used_by[fix.tracker] = used_by.get(fix.tracker, 0) + 1
        elif verdict.reason:
            told = reasons.setdefault(fix.tracker, {})
            told[verdict.reason] = told.get(verdict.reason, 0) + 1
    total = max(sum(used_by.values()), 1)
    receivers = _receivers(record)
    shares = []
    for entry in record.state["trackers"]:
        name = entry["name"]
        sender = record.flight.senders.get(name)
        gap = None if sender is None else _longest_gap(record, sender)
        shares.append(TrackerShare(
            name, entry["label"], entry["role"], entry["heard"] + entry["missed"],
            entry["heard"], entry["missed"], entry["copies"], entry["interval_s"],
            None if gap is None else gap[0], None if gap is None else gap[1],
            entry["fixes"], used_by.get(name, 0), used_by.get(name, 0) / total,
            None if sender is None else _farthest(record, sender, receivers),
            [(h["name"], h["packets"]) for h in entry["heard_by"]],
            sorted(reasons.get(name, {}).items(), key=lambda r: -r[1]),
        ))  # fmt: skip
    return shares


def _longest_gap(record: FlightRecord, sender: Sender) -> tuple[float, float] | None:
    launch, landing = record.first("launch"), record.last("landing")
    from_s = -math.inf if launch is None else launch.time_s
    to_s = math.inf if landing is None else landing.time_s
    heard = [p.first_heard_s for p in sender.packets if from_s <= p.first_heard_s <= to_s]
    gaps = [(b - a, a) for a, b in itertools.pairwise(heard)]
    return max(gaps, default=None)


def _receivers(record: FlightRecord) -> Mapping[str, tuple[float, float]]:
    """Stations with a known place, by name."""
    return {
        s["name"]: (s["latitude_deg"], s["longitude_deg"])
        for s in record.state["stations"]
        if s["latitude_deg"] is not None
    }


def _farthest(
    record: FlightRecord, sender: Sender, receivers: Mapping[str, tuple[float, float]]
) -> Far | None:
    car = OwnCar(record)
    ground_m = record.question.ground.altitude_m if record.question else 0.0
    best: Far | None = None
    for packet in sender.packets:
        position = next((t.report for t in timed(packet)), None)
        if position is None or position.altitude_m is None:
            continue
        for hearing in packet.hearings:
            place = _place_of(hearing, receivers, car)
            if place is None:
                continue
            distance_m, _ = distance_bearing(*place, position.latitude_deg, position.longitude_deg)
            if best is None or distance_m > best.distance_m:
                height_m = position.altitude_m - ground_m - CAR_ANTENNA_M
                drop_m = distance_m**2 / (2 * EFFECTIVE_EARTH_RADIUS_M)
                elevation_deg = math.degrees(math.atan2(height_m - drop_m, max(distance_m, 1.0)))
                station = hearing.heard_from
                best = Far(station, distance_m, position.altitude_m, elevation_deg)
    return best


def _place_of(
    hearing: Hearing, receivers: Mapping[str, tuple[float, float]], car: OwnCar
) -> tuple[float, float] | None:
    """Where the receiver stood that heard it without a repeater between; None if not known."""
    if hearing.repeated_by:
        return None
    if hearing.fed_by:
        return receivers.get(hearing.fed_by)
    return car.at(hearing.heard_at_ms / 1000.0) if hearing.source != "phone" else None


class OwnCar:
    """Where the car with this station was, at any time."""

    def __init__(self, record: FlightRecord) -> None:
        heard = [name for name, plan in record.flight.vehicles.items() if plan.own]
        fixes = [f for name in heard for f in vehicle_fixes(record.flight, name)]
        self._fixes = sorted(fixes, key=lambda f: f.time_s)
        self._next = 0

    def at(self, time_s: float) -> tuple[float, float] | None:
        """Calls run forward in time, or nearly."""
        fixes = self._fixes
        if not fixes:
            return None
        self._next = min(self._next, len(fixes) - 1)
        while self._next > 0 and fixes[self._next].time_s > time_s:
            self._next -= 1
        while self._next + 1 < len(fixes) and fixes[self._next + 1].time_s <= time_s:
            self._next += 1
        fix = fixes[self._next]
        near = abs(fix.time_s - time_s) <= _NEAR_S
        return (fix.latitude_deg, fix.longitude_deg) if near else None


def receiver_counts(shares: Sequence[TrackerShare]) -> list[tuple[str, list[int], int]]:
    """Each receiver with its packets by tracker and in all, the busiest first."""
    counts: dict[str, list[int]] = {}
    for i, share in enumerate(shares):
        for station, packets in share.heard_by:
            counts.setdefault(station, [0] * len(shares))[i] = packets
    rows = [(station, row, sum(row)) for station, row in counts.items()]
    return sorted(rows, key=lambda r: (-r[2], r[0]))


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
            found.append(Uncertain(a.time_s, b.time_s, (
                f"no fix for {(b.time_s - a.time_s) / 60:.1f} min, from {a.altitude_m:,.0f} m "
                f"to {b.altitude_m:,.0f} m"
            )))  # fmt: skip
    wide = [p for p in flown if p.sigma_h_m > _WIDE_M]
    if wide:
        worst = max(wide, key=lambda p: p.sigma_h_m)
        found.append(Uncertain(wide[0].time_s, wide[-1].time_s, (
            f"{len(wide)} points with a standard deviation above {_WIDE_M:.0f} m, "
            f"the widest {worst.sigma_h_m:,.0f} m at {clock(worst.time_s)}"
        )))  # fmt: skip
    last, landing = (flown[-1] if flown else None), record.last("landing")
    if last is not None and landing is not None and landing.time_s - last.time_s > _GAP_S:
        found.append(Uncertain(last.time_s, landing.time_s, (
            f"last heard in the air at {last.altitude_m:,.0f} m; the first fix on the ground came "
            f"{(landing.time_s - last.time_s) / 60:.1f} min later, so the touchdown lies between"
        )))  # fmt: skip
    return found
