"""NMEA 0183 sentences GGA, RMC, GNS, GLL and WPL, from any talker.

Framing is ours: a line is read from its last "$", and the checksum must be there (unless the plan
knows a receiver that sends none) and be right. WPL names a place: radios write the stations they
hear so; it has no time, and is that name's position and not the receiver's.
pynmeagps reads the fields; it is handed the talker GN, for it refuses talkers that it does not
know. A sentence without a position is a StatusReport: a receiver that still searches says so every
second.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import UTC, date, datetime, time
from typing import Any

from pynmeagps import NMEAReader

from decoders import readings
from decoders.aprs_library import KNOT_MS
from decoders.aprs_time import DAY_S, nearest_time_of_day
from decoders.bounds import MOST_VALUE
from decoders.reports import DecodeError, PositionReport, StatusReport

MINUTE_M = 1852.0
PLAUSIBLE_DATE_S = DAY_S  # farther from the moment of hearing, a date is a receiver's week rollover
_ESTIMATED = 6  # quality of GGA: dead reckoning
# up to the altitude of GGA and GNS, the date of RMC, the hemisphere of GLL, the name of WPL
_LEAST_FIELDS = {"GGA": 10, "RMC": 10, "GNS": 10, "GLL": 5, "WPL": 6}
READ_TYPES = tuple(_LEAST_FIELDS)
_FIRST_OF_PLACE = {"GGA": 2, "RMC": 3, "GNS": 2, "GLL": 1, "WPL": 1}
_SENTENCE = re.compile(rb"\$([ -~]*)\*([0-9A-Fa-f]{2})\s*")
_UNCHECKED = re.compile(rb"\$([ -)+-~]*)\s*")
_LATITUDE = re.compile(r"\d{2}([0-5]\d)(?:\.(\d{1,9}))?", re.ASCII)
_LONGITUDE = re.compile(r"\d{3}([0-5]\d)(?:\.(\d{1,9}))?", re.ASCII)


def checksum(content: bytes) -> int:
    """XOR of the bytes between "$" and "*"."""
    result = 0
    for byte in content:
        result ^= byte
    return result


def sentence(content: str) -> bytes:
    """`content` with "$" before it and its checksum behind it, without a line end."""
    return f"${content}*{checksum(content.encode('ascii')):02X}".encode("ascii")


def decode_sentence(
    line: bytes, heard_at_s: float, name: str, *, without_checksum: bool = False
) -> PositionReport | StatusReport | None:
    """One line, garbage before its last "$" allowed. None: a good sentence of another type.

    `without_checksum` lets a sentence that has none pass; one that is there must be right.

    The time of day is resolved to the moment nearest to `heard_at_s`; the date of RMC counts when
    it lies within PLAUSIBLE_DATE_S of it. `valid` is False when the receiver says it has no fix; a
    fix in two dimensions has no altitude.
    DecodeError: no frame, wrong or missing checksum, fields that cannot be.
    """
    start = line.rfind(b"$")
    content = _content(line[start:] if start >= 0 else b"", without_checksum)
    fields = content.decode("ascii").split(",")
    address = fields[0]
    if len(address) != 5 or address.startswith("P") or address[2:] not in READ_TYPES:
        return None
    kind = address[2:]
    if len(fields) < _LEAST_FIELDS[kind]:
        least = _LEAST_FIELDS[kind]
        raise DecodeError(f"{kind} has {len(fields)} fields, expected {least} or more")
    values = _parse(f"GN{kind}", fields[1:])
    time_s = _time(values, heard_at_s)
    valid = _has_fix(kind, values)
    if not fields[_FIRST_OF_PLACE[kind]].strip():
        return StatusReport(name, f"{kind}: no position yet", time_s)
    latitude_deg, longitude_deg, step_min = _position(kind, fields, values)
    if kind == "WPL":
        waypoint = readings.name(fields[5])
        step_m = step_min * MINUTE_M
        return PositionReport(
            waypoint, latitude_deg, longitude_deg, resolution_h_m=step_m, object_of=name
        )
    altitude = values.get("alt")
    altitude_m = None if _is_two_dimensional(values) else _number(altitude)
    speed = _number(values.get("spd"))
    course = _number(values.get("cog"))
    return PositionReport(
        name=name,
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        time_s=time_s,
        altitude_m=altitude_m,
        course_deg=course % 360.0 if course is not None and 0.0 <= course <= 360.0 else None,
        speed_ms=speed * KNOT_MS if speed is not None and speed >= 0.0 else None,
        resolution_h_m=step_min * MINUTE_M,
        resolution_v_m=_step(fields[9]) if altitude_m is not None else 0.0,
        valid=valid,
        satellites=_satellites(fields),
    )


def _satellites(fields: list[str]) -> float | None:
    """GGA and GNS have the number in use behind the quality."""
    told = fields[7] if fields[0][2:] in ("GGA", "GNS") else ""
    return float(told) if re.fullmatch(r"\d{1,2}", told, re.ASCII) else None


def _content(sentence: bytes, without_checksum: bool) -> bytes:
    """What stands between "$" and "*"."""
    match = _SENTENCE.fullmatch(sentence)
    if match is None:
        unchecked = _UNCHECKED.fullmatch(sentence) if without_checksum else None
        if unchecked is None:
            raise DecodeError("not an NMEA sentence: '$', fields and '*' with a checksum expected")
        return unchecked[1]
    content = match[1]
    if checksum(content) != int(match[2], 16):
        raise DecodeError(f"NMEA checksum {match[2].decode()}, expected {checksum(content):02X}")
    return content


def merge(a: PositionReport, b: PositionReport) -> PositionReport:
    """Two sentences of one epoch as one report; the order does not matter.

    Where both tell a thing, the finer position, and otherwise the larger value, is taken.
    ValueError: the two are not of the same receiver and the same time.
    """
    if a.name != b.name or a.time_s is None or a.time_s != b.time_s:
        raise ValueError(f"{a.name} at {a.time_s} and {b.name} at {b.time_s} are two epochs")
    first, second = sorted((a, b), key=_merge_rank)
    return replace(
        first,
        altitude_m=_larger(a.altitude_m, b.altitude_m),
        course_deg=_larger(a.course_deg, b.course_deg),
        speed_ms=_larger(a.speed_ms, b.speed_ms),
        climb_ms=_larger(a.climb_ms, b.climb_ms),
        sigma_h_m=_larger(a.sigma_h_m, b.sigma_h_m),
        sigma_v_m=_larger(a.sigma_v_m, b.sigma_v_m),
        battery_percent=_larger(a.battery_percent, b.battery_percent),
        satellites=_larger(a.satellites, b.satellites),
        resolution_v_m=max(a.resolution_v_m, b.resolution_v_m),
        altitude_datum=(first if first.altitude_m is not None else second).altitude_datum,
        valid=a.valid and b.valid,
        comment=max(a.comment, b.comment),
    )


def encode_gga(report: PositionReport, *, talker: str = "GP", satellites: int = 8) -> bytes:
    """GGA of `report`: time, position, quality and altitude above mean sea level."""
    altitude = "" if report.altitude_m is None else f"{report.altitude_m:.1f}"
    return sentence(
        f"{talker}GGA,{_clock(report.time_s)},{_coordinates(report)},"
        f"{1 if report.valid else 0},{satellites:02d},1.0,{altitude},M,,M,,"
    )


def encode_rmc(report: PositionReport, *, talker: str = "GP") -> bytes:
    """RMC of `report`: time and date, position, speed and course over ground."""
    speed = "" if report.speed_ms is None else f"{report.speed_ms / KNOT_MS:.3f}"
    course = "" if report.course_deg is None else f"{report.course_deg:.2f}"
    day = ""
    if report.time_s is not None:
        day = datetime.fromtimestamp(round(report.time_s, 3), UTC).strftime("%d%m%y")
    return sentence(
        f"{talker}RMC,{_clock(report.time_s)},{'A' if report.valid else 'V'},"
        f"{_coordinates(report)},{speed},{course},{day},,,A"
    )


def _parse(address: str, fields: list[str]) -> dict[str, Any]:
    try:
        message = NMEAReader.parse(sentence(",".join((address, *fields))))
    except Exception as error:  # its four exceptions have no common parent, and others leak
        raise DecodeError(f"pynmeagps: {error}") from error
    if message is None:
        raise DecodeError(f"pynmeagps does not know {address}")
    return {key: value for key, value in vars(message).items() if not key.startswith("_")}


def _has_fix(kind: str, values: dict[str, Any]) -> bool:
    if kind == "GGA":
        return values.get("quality") not in (0, "", None)
    if kind == "RMC" or (kind == "GLL" and "status" in values):
        return values.get("status") == "A" and values.get("posMode") != "N"
    if kind in ("GLL", "WPL"):  # the first edition's GLL has no status, a waypoint needs no fix
        return True
    return any(mode != "N" for mode in str(values.get("posMode", "")))


def _is_two_dimensional(values: dict[str, Any]) -> bool:
    """GGA or GNS of fewer than four satellites, or of an estimate: the altitude is not measured.

    Three unknowns and the receiver's clock need four satellites. A count of 0 beside a fix comes
    from devices that do not count, and tells nothing.
    """
    used = _number(values.get("numSV"))
    return (used is not None and 1 <= used <= 3) or values.get("quality") == _ESTIMATED


def _position(kind: str, fields: list[str], values: dict[str, Any]) -> tuple[float, float, float]:
    place = _FIRST_OF_PLACE[kind]
    latitude_text, north, longitude_text, east = fields[place : place + 4]
    latitude, longitude = _LATITUDE.fullmatch(latitude_text), _LONGITUDE.fullmatch(longitude_text)
    if latitude is None or longitude is None or north not in "NS" or east not in "EW":
        raise DecodeError(
            f"{kind} position {latitude_text},{north},{longitude_text},{east} is not"
            " DDMM.mm,N,DDDMM.mm,E"
        )
    if not north or not east:
        raise DecodeError(f"{kind} position without its hemisphere")
    latitude_deg, longitude_deg = values.get("lat"), values.get("lon")
    if not isinstance(latitude_deg, float) or not isinstance(longitude_deg, float):
        # pynmeagps wants a decimal point, which NMEA does not
        latitude_deg = _degrees(latitude_text, 2) * (-1.0 if north == "S" else 1.0)
        longitude_deg = _degrees(longitude_text, 3) * (-1.0 if east == "W" else 1.0)
    if abs(latitude_deg) > 90.0 or abs(longitude_deg) > 180.0:
        raise DecodeError(f"{kind} position {latitude_deg}, {longitude_deg} is not on the earth")
    return latitude_deg, longitude_deg, 10.0 ** -len(latitude[2] or "")


def _degrees(text: str, digits: int) -> float:
    return int(text[:digits]) + float(text[digits:]) / 60.0


def _time(values: dict[str, Any], heard_at_s: float) -> float | None:
    clock = values.get("time")
    if not isinstance(clock, time) or not math.isfinite(heard_at_s):
        return None
    seconds = clock.hour * 3600.0 + clock.minute * 60.0 + clock.second + clock.microsecond / 1e6
    day = values.get("date")
    if isinstance(day, date):
        dated = datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() + seconds
        if abs(dated - heard_at_s) <= PLAUSIBLE_DATE_S:
            return dated
    return nearest_time_of_day(seconds, heard_at_s)


def _number(value: object) -> float | None:
    if not isinstance(value, int | float) or not abs(value) <= MOST_VALUE:  # nan is not
        return None
    return float(value)


def _step(text: str) -> float:
    return 10.0 ** -len(text.partition(".")[2])


def _merge_rank(report: PositionReport) -> tuple[bool, float, float, float]:
    return (
        not report.valid,
        report.resolution_h_m,
        report.latitude_deg,
        report.longitude_deg,
    )


def _larger(a: float | None, b: float | None) -> float | None:
    return max((value for value in (a, b) if value is not None), default=None)


def _clock(time_s: float | None) -> str:
    if time_s is None:
        return ""
    milliseconds = round(time_s * 1000.0) % round(DAY_S * 1000.0)
    seconds, milliseconds = divmod(milliseconds, 1000)
    return f"{seconds // 3600:02d}{seconds // 60 % 60:02d}{seconds % 60:02d}.{milliseconds:03d}"


def _coordinates(report: PositionReport) -> str:
    north, east = report.latitude_deg, report.longitude_deg
    return (
        f"{_minutes(north, 2)},{'S' if north < 0 else 'N'},"
        f"{_minutes(east, 3)},{'W' if east < 0 else 'E'}"
    )


def _minutes(angle_deg: float, digits: int) -> str:
    steps = round(abs(angle_deg) * 60e5)  # five decimals of the minute: 2 cm
    whole, part = divmod(steps, 6_000_000)
    return f"{whole:0{digits}d}{part // 100_000:02d}.{part % 100_000:05d}"
