"""What the plan says of the pack: other services than ours, and how much of the map."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from server.plan.section import Section

OFF = "off"
Address = Annotated[str, Field(pattern=rf"^({OFF}|https?://[^\s\"'<>]+)$", max_length=500)]


class PackSection(Section):
    """Addresses of services (`server/outlook/pack/services.py` has ours); "off": not fetched."""

    map: Address | None = None  # a PMTiles 3 file; {date}: as 20260606, today or the days before
    map_max_zoom: Annotated[int, Field(ge=6, le=16)] = 14
    terrain: Address | None = None  # {tile}: N38W099, {row}: N38
    forecast: Address | None = None  # speaks the query of NOAA's filter for GRIB2 files
