"""What the plan says for the evening before: other sites, limits, places to be named, whom to call."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from server.plan.flights import Latitude, Longitude, Text
from server.plan.section import Section


class SiteSection(Section):
    """Another place that it could be launched from."""

    name: Text
    latitude_deg: Latitude
    longitude_deg: Longitude
    altitude_m: Annotated[float, Field(ge=-450, le=6_000)]


class LimitsSection(Section):
    """What makes an hour fit, doubtful or unfit; a limit that is not there decides nothing."""

    farthest_landing_m: Annotated[float, Field(gt=0, le=2_000_000)] | None = None
    largest_avoid_chance: Annotated[float, Field(ge=0, le=1)] | None = None
    before_sunset_s: Annotated[float, Field(ge=-86_400, le=86_400)] | None = None
    strongest_ground_wind_ms: Annotated[float, Field(gt=0, le=60)] | None = None


class PlaceSection(Section):
    """A place that a bearing and a distance are told from, as an airspace authority asks."""

    name: Text
    latitude_deg: Latitude
    longitude_deg: Longitude


class ContactSection(Section):
    """Who answers for the flight, on the sheet for others."""

    name: Text | None = None
    phone: Text | None = None
    callsign: Text | None = None
