"""Areas that nobody wants to land on, from GeoJSON files of the plan (RFC 7946)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import orjson

from server.flight.inputs import AvoidArea

MOST_CORNERS = 100_000


class AvoidError(ValueError):
    """A file of areas that cannot be used; the message says which, and what was expected."""


def read_areas(path: Path) -> list[AvoidArea]:
    """Every polygon of a file, with the name of its properties. AvoidError otherwise."""
    try:
        data = orjson.loads(path.read_bytes())
    except OSError as error:
        raise AvoidError(f"{path}: cannot be read: {error.strerror or error}") from error
    except orjson.JSONDecodeError as error:
        raise AvoidError(f"{path}: not JSON: {error}") from error
    features = _features(data, path)
    areas = []
    for number, feature in enumerate(features, start=1):
        properties = feature.get("properties") or {}
        if not isinstance(properties, dict):
            raise AvoidError(
                f"{path}: Feature {number}: an object of properties expected, "
                f"not a {type(properties).__name__}"
            )
        name = str(properties.get("name") or f"{path.stem} {number}")[:80]
        areas.append(AvoidArea(name, tuple(_rings(feature.get("geometry"), f"{path}: {name}"))))
    if not areas:
        raise AvoidError(f"{path}: no Feature with a Polygon in it")
    return areas


def _features(data: Any, path: Path) -> list[dict[str, Any]]:
    if isinstance(data, dict) and data.get("type") == "FeatureCollection":
        features = data.get("features")
        if isinstance(features, list) and all(isinstance(f, dict) for f in features):
            return features
    if isinstance(data, dict) and data.get("type") == "Feature":
        return [data]
    if isinstance(data, dict) and data.get("type") in ("Polygon", "MultiPolygon"):
        return [{"type": "Feature", "properties": {}, "geometry": data}]
    raise AvoidError(f"{path}: a GeoJSON FeatureCollection of polygons expected")


def _rings(geometry: Any, place: str) -> list[tuple[tuple[float, float], ...]]:
    """Rings of a Polygon or MultiPolygon as longitude, latitude; holes are rings like others."""
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    if kind not in ("Polygon", "MultiPolygon"):
        raise AvoidError(f"{place}: a Polygon or MultiPolygon expected, not {kind}")
    coordinates = geometry.get("coordinates")
    polygons = coordinates if kind == "MultiPolygon" else [coordinates]
    rings = []
    try:
        for polygon in polygons:
            for ring in polygon:
                corners = np.array([corner[:2] for corner in ring], dtype=float)
                if corners.ndim != 2 or len(corners) < 4 or len(corners) > MOST_CORNERS:
                    raise AvoidError(f"{place}: a ring has 4 to {MOST_CORNERS:,} corners")
                if not np.isfinite(corners).all() or (np.abs(corners) > [180, 90]).any():
                    raise AvoidError(f"{place}: a corner is no longitude, latitude")
                rings.append(tuple((float(lon), float(lat)) for lon, lat in corners))
    except (TypeError, ValueError, IndexError, KeyError) as error:
        if isinstance(error, AvoidError):
            raise
        raise AvoidError(f"{place}: rings of [longitude, latitude] expected") from error
    if not rings:
        raise AvoidError(f"{place}: a {kind} without a ring encloses nothing")
    return rings
