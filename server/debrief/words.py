"""Values as words, with their units."""

from __future__ import annotations

from server.debrief.reader import Scale, reader

NONE = "–"
_ACRE_M2 = 4_046.856  # the international acre (NIST SP 811)


def metres(value_m: float | None) -> str:
    """A height or a short way."""
    return NONE if value_m is None else _written(value_m, reader().system.height)


def kilometres(value_m: float | None) -> str:
    return NONE if value_m is None else _written(value_m, reader().system.long, 1)


def speed(value_ms: float | None) -> str:
    """Along the ground."""
    return NONE if value_ms is None else _written(value_ms, reader().system.speed, 1)


def climb(value_ms: float | None, decimals: int = 1) -> str:
    """Up or down."""
    scale = reader().system.climb
    return NONE if value_ms is None else _written(value_ms, scale, decimals if scale.si == 1 else 0)


def _written(value: float, scale: Scale, decimals: int = 0) -> str:
    return f"{scale.of(value):,.{decimals}f} {scale.unit}"


def duration(value_s: float | None) -> str:
    if value_s is None:
        return NONE
    minutes, seconds = divmod(round(abs(value_s)), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes} min"
    if minutes >= 10:
        return f"{minutes} min"
    return f"{minutes} min {seconds} s" if minutes else f"{seconds} s"


def at(time_s: float) -> str:
    """Of the day; the page says in which zone all times are."""
    return f"{reader().local(round(time_s)):%H:%M:%S}"


def moment(time_s: float) -> str:
    """Of the day with its zone, where it stands alone."""
    return f"{at(time_s)} {reader().zone_name(time_s)}"


def apart(distance_m: float) -> str:
    """Metres when near, kilometres when far."""
    return (
        metres(distance_m) if distance_m < reader().system.long_from_m else kilometres(distance_m)
    )


_POINTS = [
    "N",
    "NNE",
    "NE",
    "ENE",
    "E",
    "ESE",
    "SE",
    "SSE",
    "S",
    "SSW",
    "SW",
    "WSW",
    "W",
    "WNW",
    "NW",
    "NNW",
]


def compass(bearing_deg: float) -> str:
    """One of sixteen points."""
    return _POINTS[round(bearing_deg / 22.5) % 16]


def square_metres(value_m2: float) -> str:
    """Hectares or acres when small, square kilometres or miles when large."""
    long = reader().system.long
    if long.unit != "km":
        acres = value_m2 / _ACRE_M2
        return (
            f"{acres:,.1f} acres"
            if acres < 300.0
            else f"{value_m2 / long.si**2:,.1f} sq {long.unit}"
        )
    return f"{value_m2 / 1e4:,.1f} ha" if value_m2 < 1e6 else f"{value_m2 / 1e6:,.1f} km²"
