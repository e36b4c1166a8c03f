"""The sheet for others: one page with what an authority, a landowner or a club usually asks for."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime
from importlib.resources import files
from typing import Protocol

from jinja2 import Environment

from server.flight.inputs import FlightPlan
from server.flight.landing.climb import climb_integral
from server.flight.landing.descent import fall_integral
from server.flight.physics.geodesy import distance_bearing
from server.outlook.hours import Hour, Site

_FOOT_M = 0.3048
# flight levels and hundreds of feet are what airspace is counted in; these are our choice of them
_HEIGHTS_FT = (1_000, 5_000, 10_000, 18_000, 30_000, 45_000, 60_000)
_WINDOW_S = 1_800.0  # about the launch: our choice


class Contact(Protocol):
    @property
    def name(self) -> str | None: ...
    @property
    def phone(self) -> str | None: ...
    @property
    def callsign(self) -> str | None: ...


class Named(Protocol):
    @property
    def name(self) -> str: ...
    @property
    def latitude_deg(self) -> float: ...
    @property
    def longitude_deg(self) -> float: ...


def sheet_page(
    contact: Contact,
    places: Sequence[Named],
    plan: FlightPlan,
    sites: Sequence[Site],
    hour: Hour,
    made: datetime,
) -> str:
    """HTML that prints on one page. What the plan does not say is left blank."""
    site = next(one for one in sites if one.name == hour.site)
    template = Environment(autoescape=True).from_string(
        files("server.outlook").joinpath("sheet.html").read_text(encoding="utf-8")
    )
    landing = hour.landing
    return template.render(
        name=plan.name,
        made=f"{made:%Y-%m-%d %H:%M} UTC",
        contact=contact,
        site=f"{site.latitude_deg:.4f}, {site.longitude_deg:.4f}, {site.altitude_m:,.0f} m",
        launch=f"{hour.launch_time:%Y-%m-%d %H:%M} UTC, ± {_WINDOW_S / 60:.0f} min",
        climb=f"{plan.balloon.ascent_rate_ms:.1f} m/s",
        burst=f"{plan.balloon.burst_altitude_m:,.0f} m ± {plan.balloon.burst_altitude_sigma_m:,.0f} m",
        mass=None if plan.descent.mass_kg is None else f"{plan.descent.mass_kg:g} kg",
        trackers=[f"{t.name} ({t.callsign or t.source})" for t in plan.trackers],
        crossings=_crossings(hour, site),
        landing=None
        if landing is None
        else {
            "place": _about(landing.latitude_deg, landing.longitude_deg, landing.radius_90_m),
            "time": f"{landing.time:%H:%M} UTC ({landing.time_early:%H:%M} to {landing.time_late:%H:%M})",
            "radius": f"{landing.radius_90_m / 1_000:.0f} km",
        },
        bearings=[_bearing(place, hour) for place in places] if landing is not None else [],
    )


def _bearing(place: Named, hour: Hour) -> tuple[str, str]:
    assert hour.landing is not None
    distance_m, bearing_deg = distance_bearing(
        place.latitude_deg,
        place.longitude_deg,
        hour.landing.latitude_deg,
        hour.landing.longitude_deg,
    )
    return place.name, f"{distance_m / 1_000:.0f} km, {bearing_deg:.0f}° true"


def _about(latitude_deg: float, longitude_deg: float, radius_90_m: float) -> str:
    """No finer than a twentieth of the 90 % radius."""
    step_deg = max(radius_90_m, 1.0) / 20.0 / 111_000.0
    digits = min(max(math.ceil(-math.log10(step_deg)), 1), 5)
    return f"about {latitude_deg:.{digits}f}, {longitude_deg:.{digits}f}"


def _crossings(hour: Hour, site: Site) -> list[tuple[str, str, str]]:
    """Heights with the moments at which it passes them, up and down, along the mean way."""
    landing, burst_m = hour.landing, hour.burst_altitude_m
    if landing is None or burst_m is None or hour.burst_time is None:
        return []
    launch_s, burst_s = hour.launch_time.timestamp(), hour.burst_time.timestamp()
    lands_s, ground_m = landing.time.timestamp(), landing.altitude_m
    climbed = float(climb_integral(burst_m) - climb_integral(site.altitude_m))
    fallen = float(fall_integral(burst_m) - fall_integral(ground_m))
    rows = []
    for height_ft in _HEIGHTS_FT:
        height_m = height_ft * _FOOT_M
        if not max(site.altitude_m, ground_m) < height_m < burst_m:
            continue
        up = float(climb_integral(height_m) - climb_integral(site.altitude_m)) / climbed
        down = float(fall_integral(burst_m) - fall_integral(height_m)) / fallen
        up_s = launch_s + up * (burst_s - launch_s)
        down_s = burst_s + down * (lands_s - burst_s)
        rows.append((f"{height_m:,.0f} m ({height_ft:,} ft)", _clock(up_s), _clock(down_s)))
    return rows


def _clock(time_s: float) -> str:
    return f"{datetime.fromtimestamp(time_s, UTC):%H:%M}"
