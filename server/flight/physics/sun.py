"""When the sun sets where it comes down; astral keeps the almanac."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from astral import Observer
from astral.sun import sunset


def sunset_s(latitude_deg: float, longitude_deg: float, time_s: float) -> float | None:
    """UTC seconds of the sunset that follows noon of the day of `time_s`; None: none that day.

    The day is the local one, by longitude, so that an evening in the west is not yet tomorrow.
    """
    local = datetime.fromtimestamp(time_s, UTC) + timedelta(hours=longitude_deg / 15.0)
    observer = Observer(latitude_deg, longitude_deg)
    for day in (local.date(), local.date() + timedelta(days=1)):
        try:
            found = sunset(observer, date=day, tzinfo=UTC).timestamp()
        except ValueError:  # it stays up, or down
            return None
        noon_s = datetime(local.year, local.month, local.day, 12, tzinfo=UTC).timestamp()
        noon_s -= longitude_deg / 15.0 * 3_600.0
        if found >= noon_s:
            return found
    return None
