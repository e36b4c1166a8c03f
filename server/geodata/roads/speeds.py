"""How fast a car goes: by class, posted limit, surface and track grade. The table stands in README.md."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import NamedTuple

Tags = Mapping[str, str]

KMH = 1 / 3.6


class ClassSpeed(NamedTuple):
    """km/h of a car that meets no posted limit, out of towns and within."""

    rural_kmh: float
    urban_kmh: float


CLASSES: dict[str, ClassSpeed] = {
    "motorway": ClassSpeed(105, 89),
    "trunk": ClassSpeed(90, 73),
    "primary": ClassSpeed(75, 57),
    "secondary": ClassSpeed(60, 49),
    "tertiary": ClassSpeed(50, 40),
    "unclassified": ClassSpeed(40, 35),
    "road": ClassSpeed(40, 35),
    "residential": ClassSpeed(35, 30),
    "living_street": ClassSpeed(20, 20),
    "service": ClassSpeed(25, 20),
    "pedestrian": ClassSpeed(7, 7),
    "track": ClassSpeed(5, 5),  # of which no grade tells: it may have to be walked
    "other": ClassSpeed(10, 10),  # a path or cycleway that lets cars in
}
KINDS = tuple(CLASSES)
FERRY = len(KINDS)
MAIN_KINDS = tuple(
    KINDS.index(name) for name in ("motorway", "trunk", "primary", "secondary", "tertiary")
)

_SERVICES = {"driveway": 10.0, "parking_aisle": 15.0, "drive-through": 10.0}
_GRADES = {"grade1": 20.0, "grade2": 15.0, "grade3": 12.0, "grade4": 10.0, "grade5": 5.0}
_LINK_SHARE = 0.85  # of its road's speed, on a ramp without a limit of its own
_ROUNDABOUT_SHARE = 0.5
_FIRM_SHARE, _LOOSE_SHARE = 0.8, 0.5  # on rolled gravel or setts, and on loose ground

_PAVED = {
    "paved", "asphalt", "concrete", "concrete:plates", "concrete:lanes", "paving_stones",
    "paving_stones:lanes", "chipseal", "metal", "bricks", "brick", "cement", "rubber", "tartan",
}  # fmt: skip
_ROUGH_PAVED = {
    "sett",
    "cobblestone",
    "unhewn_cobblestone",
    "cobblestone:flattened",
    "grass_paver",
    "wood",
}
_FIRM = {"compacted", "fine_gravel"}
_SMOOTHNESS_KMH = {"bad": 40.0, "very_bad": 20.0, "horrible": 10.0, "very_horrible": 5.0}

# legal limits that a sign by country stands for, km/h: OpenStreetMap wiki, Key:maxspeed and
# Default speed limits; a country that is not named takes the commonest value
_IMPLICIT = {"urban": 50.0, "rural": 90.0, "trunk": 100.0, "motorway": 120.0, "living_street": 20.0,
             "bicycle_road": 30.0, "express": 100.0}  # fmt: skip
_COUNTRY = {
    "AT:rural": 100, "AT:trunk": 100, "AT:motorway": 130, "AT:walk": 7, "AU:rural": 100,
    "AU:motorway": 110, "BE:rural": 70, "CA:rural": 80, "CH:rural": 80, "CH:trunk": 100,
    "CZ:motorway": 130, "CZ:living_street": 20, "DE:rural": 100, "DE:living_street": 7, "DE:walk": 7,
    "DK:rural": 80, "DK:motorway": 130, "ES:rural": 90, "FI:rural": 80, "FR:rural": 80,
    "FR:motorway": 130, "FR:trunk": 110, "GB:nsl_single": 96, "GB:nsl_dual": 112,
    "GB:nsl_restricted": 48, "GB:motorway": 112, "HU:motorway": 130, "IE:rural": 80,
    "IT:motorway": 130, "IT:trunk": 110, "JP:rural": 60, "NL:rural": 80, "NO:rural": 80,
    "NZ:rural": 100, "PL:motorway": 140, "PL:rural": 90, "PT:trunk": 100, "RO:motorway": 130,
    "RU:rural": 90, "RU:urban": 60, "RU:motorway": 110, "RU:living_street": 20, "SE:rural": 70,
    "SE:motorway": 110, "SI:motorway": 130, "SK:motorway": 130, "UA:motorway": 130,
    "UK:nsl_single": 96, "UK:nsl_dual": 112, "UK:motorway": 112, "US:rural": 88, "US:urban": 40,
    "US:motorway": 105,
}  # fmt: skip
_NUMBER = re.compile(r"^\s*(\d{1,3}(?:\.\d+)?)\s*(km/h|kmh|kph|mph|knots)?\s*$")
_UNITS = {"mph": 1.609344, "knots": 1.852}
_ZONE = re.compile(r"zone:?(\d{2})$")
WALK_KMH = 7.0


def limit_kmh(value: str | None) -> float | None:
    """A `maxspeed` in km/h; None: no limit, or none that can be read."""
    if value is None:
        return None
    value = value.split(";")[0].strip()
    number = _NUMBER.match(value)
    if number is not None:
        kmh = float(number[1]) * _UNITS.get(number[2] or "", 1.0)
        return kmh if 0.0 < kmh <= 200.0 else None
    if value == "walk":
        return WALK_KMH
    country, colon, kind = value.partition(":")
    zone = _ZONE.search(value)
    if zone is not None:
        return float(zone[1])
    if colon:
        known = _COUNTRY.get(f"{country[:2].upper()}:{kind}")
        return known if known is not None else _IMPLICIT.get(kind)
    return _IMPLICIT.get(value)


class Pace(NamedTuple):
    """Of one way, km/h along and against it, out of towns and within one."""

    rural_kmh: tuple[float, float]
    urban_kmh: tuple[float, float]


def kind_of(tags: Tags) -> int:
    """Index into `KINDS`, or `FERRY`."""
    name = tags.get("highway")
    if name is None:
        return FERRY
    name = name.removesuffix("_link")
    return KINDS.index(name) if name in CLASSES else KINDS.index("other")


def is_unpaved(tags: Tags) -> bool:
    """Of loose ground, as far as tags tell; a track without a surface by its grade."""
    surface = tags.get("surface")
    if surface is not None:
        return surface.split(";")[0] not in _PAVED | _ROUGH_PAVED
    return tags.get("highway") == "track" and tags.get("tracktype") != "grade1"


def pace(tags: Tags) -> Pace:
    """The speed of a car on a road (a ferry is timed by itself)."""
    name = tags.get("highway", "")
    speed = CLASSES.get(name.removesuffix("_link"), CLASSES["other"])
    rural, urban = speed
    if name == "track":
        rural = urban = _GRADES.get(tags.get("tracktype", ""), speed.rural_kmh)
    elif name == "service":
        rural = urban = _SERVICES.get(tags.get("service", ""), rural)
    if tags.get("junction") in ("roundabout", "circular"):
        rural, urban = rural * _ROUNDABOUT_SHARE, urban * _ROUNDABOUT_SHARE
    elif name.endswith("_link"):
        rural, urban = rural * _LINK_SHARE, urban * _LINK_SHARE
    both = [_one_direction(tags, rural, urban, way) for way in ("forward", "backward")]
    return Pace((both[0][0], both[1][0]), (both[0][1], both[1][1]))


def _one_direction(tags: Tags, rural: float, urban: float, way: str) -> tuple[float, float]:
    posted = limit_kmh(tags.get(f"maxspeed:{way}") or tags.get("maxspeed"))
    if posted is None:
        for key in ("source:maxspeed", "maxspeed:type", "zone:maxspeed", "zone:traffic"):
            if ":" in tags.get(key, "") and (posted := limit_kmh(tags[key])) is not None:
                break
    slow = tags.get("highway") in ("track", "service")
    if posted is not None:
        # a posted limit is what is driven on a road; on a track or a driveway it is only the most
        rural = min(rural, posted) if slow else posted
        urban = min(urban, posted) if slow else posted
        rural, urban = (_on_surface(tags, kmh, stated=not slow) for kmh in (rural, urban))
    else:
        rural, urban = (_on_surface(tags, kmh, stated=False) for kmh in (rural, urban))
    smooth = _SMOOTHNESS_KMH.get(tags.get("smoothness", ""), 200.0)
    return min(rural, smooth), min(urban, smooth)


def _on_surface(tags: Tags, kmh: float, stated: bool) -> float:
    surface = tags.get("surface", "").split(";")[0]
    loose = is_unpaved(tags)
    grade1 = tags.get("highway") == "track" and tags.get("tracktype") == "grade1" and not surface
    if grade1 or surface in _FIRM or surface in _ROUGH_PAVED:
        return kmh * _FIRM_SHARE
    if not loose:
        return kmh
    if stated:
        return kmh - (10.0 if kmh >= 50.0 else 5.0 if kmh > 15.0 else 0.0)
    return kmh * _LOOSE_SHARE


_DURATION = re.compile(r"^(?:(\d{1,2}):)?(\d{1,3})(?::(\d{2}))?$")
_ISO = re.compile(r"^P(?:(\d+)D)?T?(?:(\d+)H)?(?:(\d+)M)?(?:(\d+)S)?$")
FERRY_WAIT_S = 300.0  # to be on board, where no interval is known
_FERRY_KMH = ((2_000.0, 10.0), (8_000.0, 20.0), (float("inf"), 30.0))
_TRAIN_KMH = 65.0


def duration_s(value: str | None) -> float | None:
    """A `duration` (hh:mm, hh:mm:ss, minutes, or ISO 8601) or `interval` in seconds."""
    if value is None:
        return None
    clock = _DURATION.match(value.strip())
    if clock is not None:
        hours, minutes, seconds = (int(part or 0) for part in clock.groups())
        found = hours * 3600.0 + minutes * 60.0 + seconds
    else:
        iso = _ISO.match(value.strip())
        if iso is None:
            return None
        days, hours, minutes, seconds = (int(part or 0) for part in iso.groups())
        found = days * 86_400.0 + hours * 3600.0 + minutes * 60.0 + seconds
    return found if 0.0 < found <= 5 * 86_400.0 else None


def crossing_s(tags: Tags, length_m: float) -> tuple[float, float]:
    """Seconds that a ferry (or car train) takes, and seconds until it leaves, on average."""
    took_s = duration_s(tags.get("duration"))
    if took_s is None:
        kmh = _TRAIN_KMH
        if tags.get("route") == "ferry":
            kmh = next(kmh for below_m, kmh in _FERRY_KMH if length_m < below_m)
        took_s = length_m / (kmh * KMH)
    interval_s = duration_s(tags.get("interval"))
    return took_s, FERRY_WAIT_S if interval_s is None else max(interval_s / 2.0, 60.0)
