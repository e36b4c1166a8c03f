"""The phone beacon's JSON body, in the names of the W3C Geolocation specification.

    {"coords": {"latitude": 39.1, "longitude": -103.2, "altitude": 1650.0, "accuracy": 8.0,
                "altitudeAccuracy": 12.0, "heading": 90.0, "speed": 0.4},
     "timestamp": 1700000000000, "battery": 0.82}

`coords` may also lie flat beside the timestamp. A body is one such position, a list of them, or
{"positions": [...]}: what the phone saved up where there was no network. Altitude is above the WGS
84 ellipsoid; accuracy and altitudeAccuracy are 95 % figures; `timestamp` is in milliseconds;
`battery` is the level of the Battery Status API, 0 to 1.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any

import orjson
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from decoders.gpsd import HEIGHT_95_SIGMAS, RADIUS_95_SIGMAS
from decoders.reports import DecodeError, PositionReport

MAX_POSITIONS = 5_000  # a day and more at one every 15 s
MAX_BODY_BYTES = 2_000_000

_Finite = Annotated[float, Field(allow_inf_nan=False)]
_Size = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]


class _Coordinates(BaseModel):
    model_config = ConfigDict(extra="ignore")

    latitude: Annotated[float, Field(ge=-90.0, le=90.0)]
    longitude: Annotated[float, Field(ge=-180.0, le=180.0)]
    altitude: _Finite | None = None
    accuracy: _Size | None = None
    altitudeAccuracy: _Size | None = None
    heading: Annotated[float, Field(ge=0.0, le=360.0)] | None = None
    speed: _Size | None = None


class _Position(_Coordinates):
    timestamp: Annotated[float, Field(ge=0.0, le=4.0e12)] | None = None
    battery: Annotated[float, Field(ge=0.0, le=1.0)] | None = None


def decode_body(body: bytes, name: str) -> tuple[tuple[PositionReport, ...], str | None]:
    """The good positions of a body, and words about the bad ones (None when there are none).

    DecodeError: not JSON, too large, or not a single position that can be read.
    """
    if len(body) > MAX_BODY_BYTES:
        raise DecodeError(f"phone body of {len(body)} bytes, at most {MAX_BODY_BYTES} are read")
    try:
        content = orjson.loads(body)
    except orjson.JSONDecodeError as error:
        raise DecodeError(f"phone body is not JSON: {error}") from error
    entries = _entries(content)
    if not entries:
        raise DecodeError("phone body without a position")
    if len(entries) > MAX_POSITIONS:
        raise DecodeError(f"{len(entries)} positions in one body, at most {MAX_POSITIONS} are read")
    reports: list[PositionReport] = []
    problems: list[str] = []
    for number, entry in enumerate(entries, start=1):
        try:
            report, problem = _report(entry, name)
            reports.append(report)
        except DecodeError as error:
            problem = str(error)
        if problem is not None:
            problems.append(f"position {number}: {problem}")
    if not reports:
        raise DecodeError(problems[0])
    if not problems:
        return tuple(reports), None
    return tuple(reports), f"{len(problems)} of {len(entries)} not wholly read; {problems[0]}"


def encode_body(reports: Iterable[PositionReport]) -> bytes:
    """A batch of `reports`. ValueError: an altitude above mean sea level: no phone tells it."""
    return orjson.dumps({"positions": [_entry(report) for report in reports]})


def _entries(content: object) -> list[object]:
    if isinstance(content, dict) and "positions" in content:
        content = content["positions"]
    if isinstance(content, list):
        return content
    if isinstance(content, dict):
        return [content]
    raise DecodeError("phone body is neither a position nor a list of them")


def _report(entry: object, name: str) -> tuple[PositionReport, str | None]:
    if not isinstance(entry, dict):
        raise DecodeError("an object with coordinates was expected")
    coordinates = entry.get("coords")
    flat = {**entry, **coordinates} if isinstance(coordinates, dict) else entry
    position, problem = _validated(flat)
    return _as_report(position, name), problem


def _validated(flat: dict[str, Any]) -> tuple[_Position, str | None]:
    """A value that cannot be is left out and told; without its coordinates the entry is lost."""
    try:
        return _Position.model_validate(flat), None
    except ValidationError as error:
        details = error.errors(include_url=False, include_context=False, include_input=False)
    bad = {str(detail["loc"][0]): str(detail["msg"]) for detail in details}
    for field in ("latitude", "longitude"):
        if field in bad:
            raise DecodeError(f"{field}: {bad[field]}")
    kept = {key: value for key, value in flat.items() if key not in bad}
    problem = "; ".join(f"{field} left out: {message}" for field, message in bad.items())
    return _Position.model_validate(kept), problem


def _as_report(position: _Position, name: str) -> PositionReport:
    altitude_m, accuracy_m = position.altitude, position.altitudeAccuracy
    if altitude_m == 0.0 and accuracy_m == 0.0:  # a 2D fix; common practice, no source
        altitude_m = accuracy_m = None
    return PositionReport(
        name=name,
        latitude_deg=position.latitude,
        longitude_deg=position.longitude,
        time_s=None if position.timestamp is None else position.timestamp / 1000.0,
        altitude_m=altitude_m,
        altitude_datum="ellipsoid",
        course_deg=None if position.heading is None else position.heading % 360.0,
        speed_ms=position.speed,
        sigma_h_m=_divided(position.accuracy, RADIUS_95_SIGMAS),
        sigma_v_m=_divided(accuracy_m, HEIGHT_95_SIGMAS),
        battery_percent=None if position.battery is None else 100.0 * position.battery,
    )


def _entry(report: PositionReport) -> dict[str, Any]:
    if report.altitude_m is not None and report.altitude_datum != "ellipsoid":
        raise ValueError("a phone's altitude is above the ellipsoid, not above mean sea level")
    battery = report.battery_percent
    return {
        "coords": {
            "latitude": report.latitude_deg,
            "longitude": report.longitude_deg,
            "altitude": report.altitude_m,
            "accuracy": None if report.sigma_h_m is None else report.sigma_h_m * RADIUS_95_SIGMAS,
            "altitudeAccuracy": (
                None if report.sigma_v_m is None else report.sigma_v_m * HEIGHT_95_SIGMAS
            ),
            "heading": report.course_deg,
            "speed": report.speed_ms,
        },
        "timestamp": None if report.time_s is None else round(report.time_s * 1000.0),
        "battery": None if battery is None else battery / 100.0,
    }


def _divided(value: float | None, divisor: float) -> float | None:
    return None if value is None else value / divisor
