"""APRS timestamps, resolved against the moment the packet was heard.

APRS Protocol Reference 1.0.1, chapter 6. A stamp leaves out the day, the month or the year; of all
times that it can mean, the one nearest to `heard_at_s` is taken. None stands for a stamp that means
no time at all: out of range, or local time ("/"), whose zone the packet does not tell.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import UTC, datetime

DAY_S = 86_400.0


def nearest_time_of_day(seconds_of_day: float, heard_at_s: float) -> float:
    """The time with this time of day that is nearest to `heard_at_s`, at most 12 h away."""
    days = round((heard_at_s - seconds_of_day) / DAY_S)
    return days * DAY_S + seconds_of_day


def resolve(stamp: str, heard_at_s: float) -> float | None:
    """UTC seconds of "HHMMSSh" or "DDHHMMz"; None for local time and for impossible stamps."""
    digits, form = stamp[:6], stamp[6:7]
    if len(digits) != 6 or not (digits.isascii() and digits.isdigit()):
        return None
    if not math.isfinite(heard_at_s):
        return None
    a, b, c = int(digits[:2]), int(digits[2:4]), int(digits[4:])
    if form == "h" and a < 24 and b < 60 and c < 60:
        return nearest_time_of_day(a * 3600.0 + b * 60.0 + c, heard_at_s)
    if form == "z" and b < 24 and c < 60:
        return _nearest_day_of_month(a, b, c, heard_at_s)
    return None


def resolve_month_day(stamp: str, heard_at_s: float) -> float | None:
    """UTC seconds of "MMDDHHMM", as position-less weather carries it; None when impossible."""
    if len(stamp) != 8 or not (stamp.isascii() and stamp.isdigit()):
        return None
    month, day, hour, minute = (int(stamp[i : i + 2]) for i in (0, 2, 4, 6))
    heard = _calendar(heard_at_s)
    if heard is None:
        return None
    candidates = (_seconds(heard.year + shift, month, day, hour, minute) for shift in (-1, 0, 1))
    return _nearest(candidates, heard_at_s)


def _nearest_day_of_month(day: int, hour: int, minute: int, heard_at_s: float) -> float | None:
    heard = _calendar(heard_at_s)
    if heard is None:
        return None
    months = heard.year * 12 + heard.month - 1
    candidates = (
        _seconds((months + shift) // 12, (months + shift) % 12 + 1, day, hour, minute)
        for shift in (-1, 0, 1)
    )
    return _nearest(candidates, heard_at_s)


def _nearest(candidates: Iterable[float | None], heard_at_s: float) -> float | None:
    possible = [time_s for time_s in candidates if time_s is not None]
    return min(possible, key=lambda time_s: abs(time_s - heard_at_s), default=None)


def _calendar(time_s: float) -> datetime | None:
    try:
        return datetime.fromtimestamp(time_s, UTC)
    except (OverflowError, ValueError, OSError):
        return None


def _seconds(year: int, month: int, day: int, hour: int, minute: int) -> float | None:
    try:
        return datetime(year, month, day, hour, minute, tzinfo=UTC).timestamp()
    except (OverflowError, ValueError):
        return None
