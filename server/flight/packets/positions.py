"""Positions of one moment made into fixes: merged, without those that cannot be."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

from decoders.bounds import FASTEST_MS, MOST_SIGMA_M, MOST_STEP_M, within
from decoders.reports import PositionReport, SensorReport
from server.flight.packets.deduplication import Packet, merge
from server.flight.packets.sensors import Definitions, pressure_pa
from server.flight.packets.sent_at import TimedReport
from server.flight.physics.geodesy import distance_bearing
from server.flight.track.fixes import Fix
from server.flight.tracker_state import Rejection, RejectionKind

_SIGMA_H_M = 4.5  # of a receiver that states none: two on one box lie 12 to 14 m apart (checks.md)
_SIGMA_V_M = 7.5
_LEAST_SIGMA_M = 3.0
_SIGMA_DATUM_M = {"msl": 10.0, "ellipsoid": 35.0}  # the geoid is within 110 m, mostly 40 m
_HIGHEST_M = 60_000.0
_LOWEST_M = -450.0  # the Dead Sea's shore
# from the launch; our choice: a box comes down within 200 km as a rule, and one that floats goes farther:
# this far off it is more often another's callsign, or the plan of another day
FAR_M = 1_000_000.0
_NEAR_M, _BESIDE_DEG = 500_000.0, 4.0
Site = tuple[float, float]  # latitude, longitude (degrees)


class SlotKey(NamedTuple):
    """The moment that a position is filed under."""

    time_s: float
    own_time: bool


class Entry(NamedTuple):
    """A position with the sensors that came in its packet."""

    report: PositionReport
    sensors: tuple[SensorReport, ...]


def entries_of(
    packet: Packet, positions: tuple[TimedReport, ...]
) -> Iterator[tuple[SlotKey, Entry]]:
    """What a packet says of where its sender was, and when; `positions`: of `timed`."""
    sensors = tuple([r for r in packet.reports if isinstance(r, SensorReport)])
    for at in positions:
        yield SlotKey(at.time_s, at.own_time), Entry(at.report, sensors)


def merged(entries: tuple[Entry, ...]) -> tuple[PositionReport, ...]:
    """Statements of one moment, joined where they mean one place."""
    return merge([entry.report for entry in entries])


def possible(
    name: str,
    key: SlotKey,
    entries: tuple[Entry, ...],
    definitions: Definitions,
    site: Site | None = None,
) -> tuple[Fix, ...]:
    """The fixes of one moment, without those that cannot be. `site`: of a tracker's planned launch."""
    measured_pa = measured_pressure_pa(entries, definitions)
    return tuple(
        [
            fix_of(name, key, report, measured_pa)
            for report in merged(entries)
            if why_impossible(report, site) is None
        ]
    )


def measured_pressure_pa(entries: tuple[Entry, ...], definitions: Definitions) -> float | None:
    """By the barometer of the tracker; None where it told none."""
    for entry in entries:
        if entry.sensors:
            return pressure_pa((r for one in entries for r in one.sensors), definitions)
    return None  # as a rule


def why_impossible(report: PositionReport, site: Site | None = None) -> Rejection | None:
    """What is wrong with a position; None when nothing is. `site`: of a tracker's planned launch."""
    if not within(report.latitude_deg, -90.0, 90.0) or not within(
        report.longitude_deg, -180.0, 180.0
    ):
        return Rejection(RejectionKind.OFF_EARTH)
    if not report.valid:
        return Rejection(RejectionKind.NO_FIX)
    if abs(report.latitude_deg) < 0.01 and abs(report.longitude_deg) < 0.01:
        return Rejection(RejectionKind.NULL_ISLAND)
    return None if site is None else _swapped(report.latitude_deg, report.longitude_deg, site)


def _swapped(latitude_deg: float, longitude_deg: float, site: Site) -> Rejection | None:
    """Far from the planned launch as it is, and near it with latitude and longitude exchanged, or their
    numbers alone: what a tracker sends that is set up wrongly. Where the plan is, the crew must say."""
    off_deg = abs(latitude_deg - site[0])
    if off_deg < _BESIDE_DEG and abs(longitude_deg - site[1]) < _BESIDE_DEG:
        return None  # as a rule
    if abs(longitude_deg) > 90.0 or distance_bearing(*site, latitude_deg, longitude_deg)[0] < FAR_M:
        return None
    numbers = (
        math.copysign(longitude_deg, latitude_deg),
        math.copysign(latitude_deg, longitude_deg),
    )
    near_m = min(
        distance_bearing(*site, *exchanged)[0]
        for exchanged in ((longitude_deg, latitude_deg), numbers)
    )
    return Rejection(RejectionKind.SWAPPED, near_m) if near_m < _NEAR_M else None


def fix_of(name: str, key: SlotKey, report: PositionReport, measured_pa: float | None) -> Fix:
    """The fix that a report gives, filed under `key`; `measured_pa`: by the tracker's own barometer.

    The decoders bound every number; this guard holds for whatever else makes a report.
    """
    return Fix(
        time_s=key.time_s,
        tracker=name,
        latitude_deg=report.latitude_deg,
        longitude_deg=report.longitude_deg,
        altitude_m=_or_none(report.altitude_m, _LOWEST_M, _HIGHEST_M),
        course_deg=_or_none(report.course_deg, 0.0, 360.0),
        speed_ms=_or_none(report.speed_ms, 0.0, FASTEST_MS),
        sigma_h_m=_sigma_m(report.sigma_h_m, _SIGMA_H_M, report.resolution_h_m),
        sigma_v_m=_sigma_m(report.sigma_v_m, _SIGMA_V_M, report.resolution_v_m),
        sigma_datum_m=_SIGMA_DATUM_M[report.altitude_datum],
        own_time=key.own_time,
        pressure_pa=measured_pa,
        step_h_m=report.resolution_h_m,
        step_v_m=report.resolution_v_m,
    )


def _or_none(value: float | None, least: float, most: float) -> float | None:
    return value if within(value, least, most) else None


def _sigma_m(stated_m: float | None, usual_m: float, resolution_m: float) -> float:
    base_m = usual_m
    if stated_m is not None:  # nan counts as the largest
        base_m = (
            max(stated_m, _LEAST_SIGMA_M) if within(stated_m, 0.0, MOST_SIGMA_M) else MOST_SIGMA_M
        )
    step_m = resolution_m if within(resolution_m, 0.0, MOST_STEP_M) else MOST_STEP_M
    return float((base_m**2 + step_m**2 / 12) ** 0.5)
