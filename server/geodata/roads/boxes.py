"""Boxes about places, in degrees; they may lie across 180°."""

from __future__ import annotations

import numpy as np

from server.geodata.roads.graph import Array

_MARGIN_DEG, _MARGIN_SHARE = 0.1, 0.25  # around places: a drive may lead out of their box
Box = tuple[float, float, float, float]  # south, west, north, east; west > east crosses 180°


def box_around(latitude_deg: Array, longitude_deg: Array) -> Box:
    """Around places; across 180° where that is narrower."""
    south, north = float(latitude_deg.min()), float(latitude_deg.max())
    turned = longitude_deg % 360.0
    plain = float(np.ptp(longitude_deg))
    if float(np.ptp(turned)) < plain:
        return south, turned_deg(float(turned.min())), north, turned_deg(float(turned.max()))
    return south, float(longitude_deg.min()), north, float(longitude_deg.max())


def turned_deg(longitude_deg: float) -> float:
    return (longitude_deg + 180.0) % 360.0 - 180.0


def wider(box: Box) -> Box:
    south, west, north, east = box
    stretch = _MARGIN_DEG + _MARGIN_SHARE * (north - south)
    across = (east - west) % 360.0
    wide = _MARGIN_DEG / max(np.cos(np.radians((south + north) / 2)), 0.05) + _MARGIN_SHARE * across
    if across + 2 * wide >= 360.0:
        return south - stretch, -180.0, north + stretch, 180.0
    return south - stretch, turned_deg(west - wide), north + stretch, turned_deg(east + wide)


def holds(box: Box, inner: Box) -> bool:
    south, west, north, east = box
    across = (east - west) % 360.0 or 360.0
    low, high = (inner[1] - west) % 360.0, (inner[3] - west) % 360.0
    return south <= inner[0] and inner[2] <= north and low <= high <= across


def size(box: Box) -> float:
    return (box[2] - box[0]) * ((box[3] - box[1]) % 360.0)


def meet(one: Box, other: Box) -> bool:
    """Whether two boxes overlap."""
    if one[2] < other[0] or other[2] < one[0]:
        return False
    across = (one[3] - one[1]) % 360.0 or 360.0
    width = (other[3] - other[1]) % 360.0 or 360.0
    return (other[1] - one[1]) % 360.0 <= across or (one[1] - other[1]) % 360.0 <= width
