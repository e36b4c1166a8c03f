"""Moments as text: RFC 3339 in UTC, and back."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def format_time(time_ms: int) -> str:
    """RFC 3339 in UTC with milliseconds, e.g. 2026-05-02T14:03:11.000Z."""
    moment = _EPOCH + timedelta(milliseconds=time_ms)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{time_ms % 1000:03d}Z"


def rfc3339(time_s: float) -> str:
    """The same from seconds since 1970."""
    return format_time(round(time_s * 1000))


def maybe_rfc3339(time_s: float | None) -> str | None:
    return None if time_s is None else rfc3339(time_s)


def clock(time_s: float) -> str:
    """Hours, minutes and seconds for sentences, e.g. 14:03:11 UTC."""
    return f"{_EPOCH + timedelta(seconds=round(time_s)):%H:%M:%S} UTC"


def parse_time(text: str) -> int:
    """UTC milliseconds since 1970 of an RFC 3339 time. ValueError without a zone or out of range."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise ValueError(
            f"an RFC 3339 time such as 2026-05-02T14:03:11Z expected, not {text!r}"
        ) from error
    if moment.tzinfo is None:
        raise ValueError(f"time {text!r} has no zone; write Z for UTC")
    return round((moment - _EPOCH) / timedelta(milliseconds=1))
