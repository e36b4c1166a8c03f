"""Values as words, with their units."""

from __future__ import annotations

from datetime import UTC, datetime

NONE = "–"


def metres(value: float | None) -> str:
    return NONE if value is None else f"{value:,.0f} m"


def kilometres(value_m: float | None) -> str:
    return NONE if value_m is None else f"{value_m / 1000:,.1f} km"


def speed(value_ms: float | None) -> str:
    return NONE if value_ms is None else f"{value_ms:.1f} m/s"


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
    """Of the day; the page says that all times are UTC."""
    return f"{datetime.fromtimestamp(round(time_s), UTC):%H:%M:%S}"


def apart(distance_m: float) -> str:
    """Metres when near, kilometres when far."""
    return metres(distance_m) if distance_m < 1_000.0 else kilometres(distance_m)


def square_metres(value_m2: float) -> str:
    """Hectares when small, square kilometres when large."""
    return f"{value_m2 / 1e4:,.1f} ha" if value_m2 < 1e6 else f"{value_m2 / 1e6:,.1f} km²"
