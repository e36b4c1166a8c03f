"""Whether the maps reach to where the flight goes, in words for `leeward check`."""

from __future__ import annotations

import math
from typing import NamedTuple

from server.geodata.basemap import Basemap, Coverage
from server.geodata.tiles import Bounds

ENOUGH_ZOOM = 12  # roads have their names from about here; common practice, no source
_DEGREE_M = 111_320.0


class MapCheck(NamedTuple):
    ok: bool
    words: str


def around(latitude_deg: float, longitude_deg: float, radius_m: float) -> Bounds:
    """A box about a place: west, south, east, north."""
    half = radius_m / _DEGREE_M
    wide = half / max(math.cos(math.radians(latitude_deg)), 0.05)
    return (
        max(longitude_deg - wide, -180.0),
        max(latitude_deg - half, -85.0),
        min(longitude_deg + wide, 180.0),
        min(latitude_deg + half, 85.0),
    )


def check_basemap(basemap: Basemap, area: Bounds | None, what: str) -> list[MapCheck]:
    """One line for each map and each problem. `what` names the area, as in "the predicted area"."""
    lines = [MapCheck(False, problem) for problem in basemap.problems]
    if area is None:
        names = ", ".join(file.info.name for file in basemap.tiles.values())
        if names:
            lines.append(MapCheck(True, f"map {names}: no launch site in the plan to compare with"))
    else:
        lines += [_line(found, what) for found in basemap.coverage(area)]
    lines += [MapCheck(True, f"map layer {layer.name}: read") for layer in basemap.layers.values()]
    if basemap.online is not None:
        words = f"map online: {basemap.online.origin} is asked by the page; it needs the internet"
        lines.append(MapCheck(True, words))
    return lines


def _line(found: Coverage, what: str) -> MapCheck:
    if found.best is None:
        return MapCheck(False, f"map {found.name}: shows nothing of {what}")
    zoom, share = found.best
    whole = found.whole_to
    if whole is None:
        words = f"map {found.name}: {share:.0%} of {what} to zoom {zoom}; a part has no map"
        return MapCheck(False, words)
    words = f"map {found.name}: all of {what} to zoom {whole}"
    if zoom > whole:
        words += f", {share:.0%} of it to zoom {zoom}"
    if whole < ENOUGH_ZOOM:
        words += f"; small roads want zoom {ENOUGH_ZOOM} or more"
    return MapCheck(True, words)
