"""JSON objects whose names the plan tells (`readings.JsonNames`): a position, a time, sensors.

One payload is an object or a list of them. A number may stand in quotes. What is null or absent was
not sent; a value that cannot be is left out and told.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import TypeVar

import orjson

from decoders.bounds import MOST_SATELLITES
from decoders.readings import FASTEST_MS, FOOT_M, HIGHEST_M, LATEST_S, JsonNames, name, number
from decoders.reports import DecodeError, PositionReport, Report, SensorReport, StatusReport

MAX_BODY_BYTES = 1_000_000
MAX_OBJECTS = 1_000
MAX_PATH_PARTS = 16
_T = TypeVar("_T")


def decode_payload(
    payload: bytes, source: str, names: JsonNames
) -> tuple[tuple[Report, ...], str | None]:
    """The reports of all objects, and words about what could not be read (None: all was).

    Without a callsign among the names the reports are called `source`. DecodeError: no JSON, too
    much of it, or not one object that can be read.
    """
    if len(payload) > MAX_BODY_BYTES:
        raise DecodeError(f"JSON of {len(payload)} bytes, at most {MAX_BODY_BYTES} are read")
    try:
        content = orjson.loads(payload)
    except orjson.JSONDecodeError as error:
        raise DecodeError(f"not JSON: {error}") from error
    objects = content if isinstance(content, list) else [content]
    if not 0 < len(objects) <= MAX_OBJECTS:
        raise DecodeError(f"{len(objects)} JSON objects, 1 to {MAX_OBJECTS} are read")
    reports: list[Report] = []
    problems: list[str] = []
    for one in objects:
        try:
            if not isinstance(one, dict):
                raise DecodeError("a JSON object was expected")
            reports += _Object(one, problems).reports(source, names)
        except DecodeError as error:
            problems.append(str(error))
    if not reports:
        raise DecodeError(problems[0])
    return tuple(reports), "; ".join(problems)[:200] or None


class _Object:
    def __init__(self, content: dict[str, object], problems: list[str]) -> None:
        self._content, self._problems = content, problems

    def reports(self, source: str, names: JsonNames) -> list[Report]:
        called = source if names.callsign is None else self._name(names.callsign)
        time_s = self._time(names)
        latitude_deg = self._coordinate(names.latitude_deg, 90.0)
        longitude_deg = self._coordinate(names.longitude_deg, 180.0)
        found: list[Report] = []
        if latitude_deg is not None and longitude_deg is not None:
            course_deg = self._number(names.course_deg, 0.0, 360.0)
            found.append(
                PositionReport(
                    name=called,
                    latitude_deg=latitude_deg,
                    longitude_deg=longitude_deg,
                    time_s=time_s,
                    altitude_m=self._altitude_m(names),
                    altitude_datum=names.altitude_above,
                    course_deg=None if course_deg is None else course_deg % 360.0,
                    speed_ms=self._number(names.speed_ms, 0.0, FASTEST_MS),
                    climb_ms=self._number(names.climb_ms, -FASTEST_MS, FASTEST_MS),
                    battery_percent=self._number(names.battery_percent, 0.0, 100.0),
                    satellites=self._number(names.satellites, 0.0, MOST_SATELLITES),
                )
            )
        values, units = self._sensors(names)
        if values:
            found.append(SensorReport(called, values, units, time_s=time_s))
        if not found:
            paths = f"{names.latitude_deg!r} and {names.longitude_deg!r}"
            if self._at(names.latitude_deg) is _ABSENT:
                raise DecodeError(f"JSON object without {paths}")
            found.append(StatusReport(called, "no position yet", time_s))
        return found

    def _name(self, path: str) -> str:
        try:
            return name(self._at(path))
        except DecodeError as error:
            raise DecodeError(f"{path}: {error}") from error

    def _coordinate(self, path: str, limit_deg: float) -> float | None:
        value = self._at(path)
        if value is _ABSENT or value is None or value == "":
            return None
        try:
            return number(value, -limit_deg, limit_deg)
        except DecodeError as error:
            raise DecodeError(f"{path}: {error}") from error

    def _altitude_m(self, names: JsonNames) -> float | None:
        if names.altitude_ft is not None:
            feet = self._number(names.altitude_ft, -HIGHEST_M / FOOT_M, HIGHEST_M / FOOT_M)
            return None if feet is None else feet * FOOT_M
        return self._number(names.altitude_m, -HIGHEST_M, HIGHEST_M)

    def _time(self, names: JsonNames) -> float | None:
        if names.time is not None:
            return self._given(names.time, _iso_s)
        if names.time_epoch_ms is not None:
            milliseconds = self._number(names.time_epoch_ms, 0.0, 1000.0 * LATEST_S)
            return None if milliseconds is None else milliseconds / 1000.0
        return self._number(names.time_epoch_s, 0.0, LATEST_S)

    def _sensors(self, names: JsonNames) -> tuple[dict[str, float], dict[str, str]]:
        values = {
            quantity: value
            for quantity, (path, _) in names.sensors.items()
            if (value := self._number(path, -1e9, 1e9)) is not None
        }
        units = {quantity: names.sensors[quantity][1] for quantity in values}
        return values, {quantity: unit for quantity, unit in units.items() if unit}

    def _number(self, path: str | None, least: float, most: float) -> float | None:
        return None if path is None else self._given(path, lambda v: number(v, least, most))

    def _given(self, path: str, read: Callable[[object], _T]) -> _T | None:
        """What stands at `path`; None when nothing does, or nothing that can be read."""
        value = self._at(path)
        if value is _ABSENT or value is None or value == "":
            return None
        try:
            return read(value)
        except DecodeError as error:
            self._problems.append(f"{path} left out: {error}")
            return None

    def _at(self, path: str) -> object:
        """The value at a dotted path. A name that itself has dots is found as it is."""
        if path in self._content:
            return self._content[path]
        value: object = self._content
        for part in path.split(".")[:MAX_PATH_PARTS]:
            if isinstance(value, dict) and part in value:
                value = value[part]
            elif isinstance(value, list) and part.isdecimal() and int(part[:6]) < len(value):
                value = value[int(part[:6])]
            else:
                return _ABSENT
        return value


_ABSENT = object()


def _iso_s(value: object) -> float:
    """UTC seconds of an ISO 8601 time; without a zone it is UTC."""
    if not isinstance(value, str) or len(value) > 40:
        raise DecodeError(f"{str(value)[:40]!r} is not an ISO 8601 time")
    try:
        moment = datetime.fromisoformat(value.strip())
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=UTC)
        time_s = moment.timestamp()
    except (ValueError, OverflowError):
        raise DecodeError(f"{value!r} is not an ISO 8601 time") from None
    return number(time_s, 0.0, LATEST_S)
