"""Sections of files about land and air; paths are taken from the plan's folder."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import Field, model_validator

from server.plan.section import Section


class TerrainSection(Section):
    """SRTM .hgt tiles, or GeoTIFF with the extra `geotiff`; the path is taken from the plan's folder."""

    folder: Annotated[str, Field(min_length=1, max_length=500)]


class ForecastSection(Section):
    """Winds: a CSV sounding, or GRIB2 with the extra `grib`; taken from the plan's folder."""

    file: Annotated[str, Field(min_length=1, max_length=500)]


class WindsSection(Section):
    """Winds that were measured: journals, logs and sounding tables of other flights, radiosondes."""

    files: Annotated[tuple[str, ...], Field(min_length=1, max_length=20)]


class AvoidSection(Section):
    """Areas that nobody wants to land on: GeoJSON files in the plan's folder."""

    files: Annotated[tuple[str, ...], Field(min_length=1, max_length=20)]


class RoadsSection(Section):
    """OpenStreetMap extracts (PBF), with the extra `roads`; paths are taken from the plan's folder."""

    files: Annotated[tuple[str, ...], Field(min_length=1, max_length=20)]


class BasemapSection(Section):
    """Maps of the crew's own; paths are taken from the plan's folder."""

    files: Annotated[tuple[str, ...], Field(max_length=20)] = ()  # MBTiles, PMTiles; lowest first
    layers: Annotated[tuple[str, ...], Field(max_length=20)] = ()  # GeoJSON
    online: Annotated[str, Field(max_length=500)] | None = None  # https://host/{z}/{x}/{y}.png
    online_attribution: Annotated[str, Field(max_length=200)] = ""
    online_max_zoom: Annotated[int, Field(ge=1, le=22)] = 17

    @model_validator(mode="after")
    def _address(self) -> BasemapSection:
        if self.online is None:
            return self
        host = r"[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?(:\d{1,5})?"
        if not re.fullmatch(rf"https?://{host}/[^\s\"'<>]*", self.online) or any(
            part not in self.online for part in ("{z}", "{x}", "{y}")
        ):
            raise ValueError(
                "online: one host and {z}, {x} and {y} expected, as in "
                f"'https://tiles.example/{{z}}/{{x}}/{{y}}.png', not {self.online!r}"
            )
        return self
