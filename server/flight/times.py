"""Moments: seconds since 1970, as `datetime` in UTC, as RFC 3339 text, and back."""

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


def moment(time_s: float) -> datetime:
    """As the state has it: UTC, to the millisecond."""
    return _EPOCH + timedelta(milliseconds=round(time_s * 1000))


def maybe_moment(time_s: float | None) -> datetime | None:
    return None if time_s is None else moment(time_s)


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
