"""Geometry as GeoJSON has it (RFC 7946): longitude before latitude."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Corner = tuple[float, float]  # longitude, latitude


@dataclass(frozen=True, slots=True)
class Polygon:
    """A GeoJSON Polygon (RFC 7946): closed rings of [longitude, latitude]."""

    coordinates: tuple[tuple[Corner, ...], ...]
    type: Literal["Polygon"] = "Polygon"


@dataclass(frozen=True, slots=True)
class MultiPolygon:
    coordinates: tuple[tuple[tuple[Corner, ...], ...], ...]
    type: Literal["MultiPolygon"] = "MultiPolygon"
