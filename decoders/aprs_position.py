"""APRS positions: uncompressed, compressed and Mic-E, with the weather that rides on them.

APRS Protocol Reference 1.0.1, chapters 6 to 12. aprslib reads the part of fixed length and the
weather; the comment is read in aprs_comment and the time stamp in aprs_time.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any

from decoders import aprs_comment, aprs_library, aprs_telemetry
from decoders.aprs_library import KMH_MS
from decoders.reports import DecodeError, PositionReport, Report, SensorReport

MINUTE_M = 1852.0  # one minute of latitude
STEP_MIN = 0.01
COMPRESSED_STEP_M = 60.0 * MINUTE_M / 380_926.0
COMPRESSED_ALTITUDE_STEP = 0.002  # of the altitude
AMBIGUITY_MIN = (STEP_MIN, 0.1, 1.0, 10.0, 60.0)  # size of the box by digits left blank

_UNCOMPRESSED = re.compile(
    r"\d\d(?P<lat>[\d ]{2}\.[\d ]{2})[NnSs].\d{3}(?P<lon>[\d ]{2}\.[\d ]{2})[EeWw].", re.ASCII
)
_COMPRESSED = re.compile(r"[/\\A-Za-j][!-{]{8}[!-}][ -{]{3}", re.ASCII)
# aprslib's own grammar of weather, but for its "S", which no sender writes
_WEATHER_DATA = re.compile(r"(?:[cgtrpPlLs#][0-9\-. ]{3}|h[0-9. ]{2}|b[0-9. ]{5})*", re.ASCII)
_WIND = re.compile(r"c[0-9\-. ]{3}s", re.ASCII)
_EXTENSION = re.compile(r"([\d .]{3})/([\d .]{3})", re.ASCII)
_WEATHER_UNITS = {
    "wind_direction": "deg",
    "wind_speed": "m/s",
    "wind_gust": "m/s",
    "temperature": "degC",
    "rain_1h": "mm",
    "rain_24h": "mm",
    "rain_since_midnight": "mm",
    "humidity": "%",
    "pressure": "hPa",
    "luminosity": "W/m2",
    "snow": "mm",
    "rain_raw": "counts",
}


@dataclass(frozen=True, slots=True)
class Subject:
    """Whom a position speaks of, and when it was true."""

    name: str
    time_s: float | None = None
    object_of: str | None = None


def decode_plain(subject: Subject, body: str) -> tuple[Report, ...]:
    """`body` starts at the coordinates: 19 characters or, compressed, 13; then the comment."""
    if body[:1].isdigit():
        return _decode_uncompressed(subject, body)
    return _decode_compressed(subject, body)


def is_uncompressed(body: str) -> bool:
    """Does `body` start with DDMM.mmN/DDDMM.mmW and a symbol?"""
    return _UNCOMPRESSED.match(body) is not None


def is_compressed(body: str) -> bool:
    """Could `body` start with a compressed position? Thirteen characters without blanks do."""
    return _COMPRESSED.match(body) is not None


def _decode_uncompressed(subject: Subject, body: str) -> tuple[Report, ...]:
    fixed, rest = body[:19], body[19:]
    usual, blank = _USUAL.fullmatch(fixed), 0
    if usual is None:
        fixed, blank = _with_blanks(fixed)
    extension = _EXTENSION.match(rest)
    if extension:
        rest = rest[7:]
    weather = fixed[18] == "_"
    moves = extension if extension and not weather else None
    latitude, longitude, speed_kmh = _usual(usual, moves) or _by_library(fixed, moves)
    comment = aprs_comment.read(rest, dao=blank == 0)
    step_min = comment.dao.step_min if comment.dao else AMBIGUITY_MIN[blank]
    latitude_deg, longitude_deg = _with_dao(
        _signed(latitude, fixed[7] in "Ss"), _signed(longitude, fixed[17] in "Ww"), comment.dao
    )
    course_deg, speed_ms = None, None
    if moves:
        # aprslib leaves course and speed of 000 out
        speed_ms = 0.0 if moves[2] == "000" else _optional(speed_kmh, KMH_MS)
        course_deg = _course(moves[1], speed_ms)
    reports, words = _sensors(subject, comment, extension, None, weather)
    position = PositionReport(
        name=subject.name,
        latitude_deg=_checked(latitude_deg, 90.0),
        longitude_deg=_checked(longitude_deg, 180.0),
        time_s=subject.time_s,
        altitude_m=comment.altitude_m,
        course_deg=course_deg,
        speed_ms=speed_ms,
        resolution_h_m=step_min * MINUTE_M,
        resolution_v_m=comment.altitude_step_m,
        ambiguity_digits=blank,
        object_of=subject.object_of,
        symbol=fixed[8] + fixed[18],
        comment=words,
    )
    return (position, *reports)


_Place = tuple[float, float, float | None]  # degrees without a sign, km/h
_USUAL = re.compile(
    r"(\d\d)([0-5]\d\.\d\d)[NnSs][/\\0-9A-Z](\d{3})([0-5]\d\.\d\d)[EeWw][!-~]", re.ASCII
)


def _by_library(fixed: str, moves: re.Match[str] | None) -> _Place:
    parsed = aprs_library.parse("!" + fixed + (moves[0] if moves else ""))
    return abs(parsed["latitude"]), abs(parsed["longitude"]), parsed.get("speed")


def _usual(match: re.Match[str] | None, moves: re.Match[str] | None) -> _Place | None:
    """What aprslib makes of a position that leaves nothing to ask, in a tenth of its time; else None.

    Nearly all packets of a day are such: a start after a crash reads them all again.
    """
    if match is None:
        return None
    latitude, longitude = int(match[1]), int(match[3])
    if latitude > 89 or longitude > 179:
        return None
    speed = int(moves[2]) * 1.852 if moves and moves[2].isdigit() and moves[2] != "000" else None
    return latitude + float(match[2]) / 60.0, longitude + float(match[4]) / 60.0, speed


def _decode_compressed(subject: Subject, body: str) -> tuple[Report, ...]:
    fixed, rest = body[:13], body[13:]
    if len(fixed) < 13:
        raise DecodeError(f"position of {len(fixed)} characters, expected 13 or 19")
    parsed = aprs_library.parse("!" + fixed)
    if parsed.get("format") != "compressed":
        raise DecodeError(f"{fixed!r} is not a compressed position")
    comment = aprs_comment.read(rest, dao=False)  # its steps are finer than !DAO! already
    weather = fixed[9] == "_"
    course_deg, speed_ms = _optional(parsed.get("course"), 1.0), None
    if course_deg is not None:
        course_deg %= 360.0
        speed_ms = parsed["speed"] * KMH_MS
    altitude_m, step_m = parsed.get("altitude"), 0.0
    if altitude_m is not None:
        step_m = COMPRESSED_ALTITUDE_STEP * altitude_m
    if comment.altitude_m is not None:
        altitude_m, step_m = comment.altitude_m, comment.altitude_step_m
    wind = (course_deg, speed_ms) if weather and course_deg is not None else None
    reports, words = _sensors(subject, comment, None, wind, weather)
    position = PositionReport(
        name=subject.name,
        latitude_deg=_checked(parsed["latitude"], 90.0),
        longitude_deg=_checked(parsed["longitude"], 180.0),
        time_s=subject.time_s,
        altitude_m=altitude_m,
        course_deg=None if weather else course_deg,
        speed_ms=None if weather else speed_ms,
        resolution_h_m=COMPRESSED_STEP_M,
        resolution_v_m=step_m,
        object_of=subject.object_of,
        symbol=parsed["symbol_table"] + parsed["symbol"],
        comment=words,
    )
    return (position, *reports)


def decode_mic_e(subject: Subject, destination: str, text: str) -> tuple[Report, ...]:
    """`text` is the whole information field; half of the position is in the destination."""
    letters = destination.partition("-")[0]
    fixed, rest = text[1:9], text[9:]
    parsed = aprs_library.parse("`" + fixed, letters)
    if parsed.get("format") != "mic-e":
        raise DecodeError(f"{letters!r} and {fixed!r} are not a Mic-E position")
    if letters[2] in "6789GHIJVWXY":  # aprslib lets minutes of 60 and more pass
        raise DecodeError("Mic-E latitude has 60 minutes or more")
    blank = int(parsed["posambiguity"])
    comment = aprs_comment.read(rest, mic_e=True, dao=blank == 0)
    step_min = comment.dao.step_min if comment.dao else AMBIGUITY_MIN[blank]
    latitude_deg, longitude_deg = _with_dao(
        _signed(parsed["latitude"], letters[3] in "0123456789L"),
        _signed(parsed["longitude"], letters[5] in "PQRSTUVWXYZ"),
        comment.dao,
    )
    speed_ms = parsed["speed"] * KMH_MS
    reports, words = _sensors(subject, comment, None, None, False)
    position = PositionReport(
        name=subject.name,
        latitude_deg=_checked(latitude_deg, 90.0),
        longitude_deg=_checked(longitude_deg, 180.0),
        time_s=subject.time_s,
        altitude_m=comment.altitude_m,
        course_deg=_course(str(parsed["course"]), speed_ms),
        speed_ms=speed_ms,
        resolution_h_m=step_min * MINUTE_M,
        resolution_v_m=comment.altitude_step_m,
        ambiguity_digits=blank,
        object_of=subject.object_of,
        symbol=parsed["symbol_table"] + parsed["symbol"],
        comment=words,
    )
    return (position, *reports)


def read_weather(text: str) -> tuple[dict[str, Any], str]:
    """aprslib's weather values and the words behind them; `text` starts at "c...s...g...t...".

    It is read as that of a position: without one, aprslib refuses temperatures below 0 deg F.
    aprslib takes the first "s" of data and words for the wind's speed and writes "S" there, so it
    is handed the data alone; where no wind stands before the snow, an "s" of no value comes first.
    """
    match = _WEATHER_DATA.match(text)
    data = match[0] if match else ""
    words = text[len(data) :].strip(" ")
    if not data:
        return {}, words
    decoy = "" if _WIND.match(data) else "s..."
    parsed = aprs_library.parse("!0000.00N/00000.00E_" + decoy + data)
    return dict(parsed["weather"]), words


def weather_report(name: str, weather: dict[str, Any], time_s: float | None) -> SensorReport | None:
    """aprslib's weather with its units; None when it read no value."""
    values = {key: float(value) for key, value in weather.items() if key in _WEATHER_UNITS}
    if not values:
        return None
    return SensorReport(name, values, {key: _WEATHER_UNITS[key] for key in values}, time_s=time_s)


def _sensors(
    subject: Subject,
    comment: aprs_comment.Comment,
    extension: re.Match[str] | None,
    wind: tuple[float | None, float | None] | None,
    weather: bool,
) -> tuple[list[Report], str]:
    """Telemetry and weather beside a position, and the words that are left of the comment."""
    reports: list[Report] = []
    left = comment.text
    if comment.telemetry is not None:
        reports.append(
            aprs_telemetry.decode_comment(subject.name, comment.telemetry, subject.time_s)
        )
    if weather:
        # aprslib takes wind "ccc/sss" for course and speed in knots; as "c...s..." it is in mph
        text = f"c{extension[1]}s{extension[2]}{left}" if extension else left
        values, left = read_weather(text)
        if wind is not None:
            values["wind_direction"], values["wind_speed"] = wind
        report = weather_report(subject.name, values, subject.time_s)
        if report is not None:
            reports.append(report)
    return reports, aprs_comment.words(left)


def _with_blanks(fixed: str) -> tuple[str, int]:
    """The same with as many blanks in one coordinate as in the other, and how many they are.

    DecodeError: it is no position.
    """
    match = _UNCOMPRESSED.fullmatch(fixed)
    if match is None:
        raise DecodeError(f"{fixed!r} is not DDMM.mmN/DDDMM.mmW and a symbol")
    # what one leaves out counts for both
    blank = max(_ambiguity(match["lat"]), _ambiguity(match["lon"]))
    return _blanked(fixed, match, blank), blank


def _ambiguity(minutes: str) -> int:
    digits = minutes.replace(".", "")
    sent = digits.rstrip(" ")
    if " " in sent:
        raise DecodeError(f"minutes {minutes!r} have a blank before a digit")
    if sent and sent[0] > "5":  # aprslib lets minutes of 60 and more pass
        raise DecodeError(f"minutes {minutes!r} are 60 or more")
    return 4 - len(sent)


def _blanked(fixed: str, match: re.Match[str], blank: int) -> str:
    """aprslib wants as many blanks in the longitude as in the latitude."""
    if blank == 0:
        return fixed
    minutes = {}
    for part in ("lat", "lon"):
        digits = match[part].replace(".", "")[: 4 - blank].ljust(4)
        minutes[part] = f"{digits[:2]}.{digits[2:]}"
    return f"{fixed[:2]}{minutes['lat']}{fixed[7:12]}{minutes['lon']}{fixed[17:]}"


def _with_dao(
    latitude_deg: float, longitude_deg: float, dao: aprs_comment.Dao | None
) -> tuple[float, float]:
    if dao is None:
        return latitude_deg, longitude_deg
    return (
        latitude_deg + math.copysign(dao.latitude_min / 60.0, latitude_deg),
        longitude_deg + math.copysign(dao.longitude_min / 60.0, longitude_deg),
    )


def _signed(angle_deg: float, negative: bool) -> float:
    """Keeps the hemisphere of 0 degrees, which the added digits need."""
    return math.copysign(angle_deg, -1.0 if negative else 1.0)


def _checked(angle_deg: float, limit_deg: float) -> float:
    if not abs(angle_deg) <= limit_deg:
        raise DecodeError(f"coordinate {angle_deg:.4f} degrees is beyond {limit_deg:.0f}")
    return angle_deg


def _course(digits: str, speed_ms: float | None) -> float | None:
    """Course of three digits. 000 is north for one that moves and no course for one that does not.

    The standard has 360 for north and 000 for unknown; flown trackers count 0 to 359.
    """
    if not digits.isdigit() or int(digits) > 360:
        return None
    if int(digits) == 0 and not speed_ms:
        return None
    return float(int(digits) % 360)


def _optional(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor
