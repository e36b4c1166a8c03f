"""APRS positions, status and objects as bytes, from SI units (APRS 1.0.1, chapters 6 to 11 and 16).

Each function returns an information field; `mic_e` returns the destination address with it. Times
are UTC seconds, altitudes metres above mean sea level, courses degrees from north, speeds m/s.
ValueError stands for a value that the format cannot carry.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Literal

from decoders.aprs_comment import FOOT_M
from decoders.aprs_library import KNOT_MS

DaoForm = Literal["human", "base91"]
_DAO_STEPS: dict[DaoForm, int] = {"human": 10, "base91": 91}  # steps in 0.01 minute
_FIX_FROM_GGA, _FIX_FROM_RMC = 0x36, 0x3E  # current fix; origin "other tracker"
_MIC_E_LETTERS = "PQRSTUVWXY"  # digits 0 to 9 with the message or sign bit set


def uncompressed(
    latitude_deg: float,
    longitude_deg: float,
    *,
    time_s: float | None = None,
    symbol: str = "/O",
    course_deg: float | None = None,
    speed_ms: float | None = None,
    altitude_m: float | None = None,
    dao: DaoForm | None = None,
    comment: str | bytes = "",
    messaging: bool = False,
) -> bytes:
    """A position of 0.01 minute, or ten or 91 times finer with `dao`; `time_s` as HHMMSSh.

    Course and speed go together: where just one is given, the other is sent as 000.
    """
    head = _position_head(time_s, messaging)
    body, tail = _coordinates(latitude_deg, longitude_deg, symbol, dao)
    return (head + body + _course_speed(course_deg, speed_ms) + _altitude(altitude_m)).encode(
        "ascii"
    ) + _comment(comment, tail)


def compressed(
    latitude_deg: float,
    longitude_deg: float,
    *,
    time_s: float | None = None,
    symbol: str = "/O",
    course_deg: float | None = None,
    speed_ms: float | None = None,
    altitude_m: float | None = None,
    comment: str | bytes = "",
    messaging: bool = False,
) -> bytes:
    """A base-91 position of about 0.3 m. Altitude takes the two spare characters (0.2 % steps).

    They hold course and speed where those are given; the altitude is then sent as /A=.
    """
    _check_position(latitude_deg, longitude_deg)
    places = base91(min(round(380_926 * (90.0 - latitude_deg)), 91**4 - 1), 4)
    places += base91(min(round(190_463 * (180.0 + longitude_deg)), 91**4 - 1), 4)
    extra, kind, tail = " s", 0x20, ""
    if speed_ms is not None or course_deg is not None:
        knots = (speed_ms or 0.0) / KNOT_MS
        steps = round(math.log(knots + 1.0) / math.log(1.08)) if knots >= 0.0 else -1
        if not 0 <= steps < 91:
            raise ValueError(f"speed {speed_ms} m/s does not fit in a compressed position")
        extra = base91(round((course_deg or 0.0) % 360.0 / 4.0) % 90, 1) + base91(steps, 1)
        kind, tail = _FIX_FROM_RMC, _altitude(altitude_m)
    elif altitude_m is not None:
        feet = altitude_m / FOOT_M
        steps = round(math.log(feet) / math.log(1.002)) if feet >= 1.0 else 0
        extra, kind = base91(steps, 2), _FIX_FROM_GGA
    _check_symbol(symbol)
    text = f"{_position_head(time_s, messaging)}{symbol[0]}{places}{symbol[1]}{extra}"
    return (text + chr(kind + 33) + tail).encode("ascii") + _comment(comment)


def mic_e(
    latitude_deg: float,
    longitude_deg: float,
    *,
    symbol: str = "/O",
    course_deg: float | None = None,
    speed_ms: float = 0.0,
    altitude_m: float | None = None,
    dao: DaoForm | None = None,
    comment: str | bytes = "",
    message_bits: int = 0b111,
) -> tuple[str, bytes]:
    """Destination address and information field of a Mic-E position; altitude in whole metres.

    `message_bits` 0b111 is the standard message "off duty".
    """
    _check_symbol(symbol)
    latitude, longitude, tail = _split(latitude_deg, longitude_deg, dao)
    digits = f"{latitude[0]:02d}{latitude[1]:04d}"
    offset = not 10 <= longitude[0] <= 99
    flags = [bool(message_bits >> shift & 1) for shift in (2, 1, 0)]
    flags += [latitude_deg >= 0.0, offset, longitude_deg < 0.0]
    destination = "".join(
        _MIC_E_LETTERS[int(digit)] if flag else digit
        for digit, flag in zip(digits, flags, strict=True)
    )
    knots = round(speed_ms / KNOT_MS)
    if not 0 <= knots < 800:
        raise ValueError(f"speed {speed_ms} m/s does not fit in Mic-E")
    course = 0 if course_deg is None else round(course_deg) % 360 or 360
    tens, units = divmod(knots, 10)
    minutes, hundredths = divmod(longitude[1], 100)
    characters = (
        _mic_e_degrees(longitude[0]),
        minutes + (88 if minutes < 10 else 28),
        hundredths + 28,
        tens + (108 if tens < 4 else 28),  # keeps to characters that print where it can
        units * 10 + course // 100 + 32,
        course % 100 + 28,
    )
    text = "`" + "".join(map(chr, characters)) + symbol[1] + symbol[0]
    if altitude_m is not None:
        text += base91(round(altitude_m) + 10_000, 3) + "}"
    return destination, text.encode("ascii") + _comment(comment, tail)


def object_report(
    name: str,
    latitude_deg: float,
    longitude_deg: float,
    *,
    time_s: float,
    alive: bool = True,
    symbol: str = "/O",
    course_deg: float | None = None,
    speed_ms: float | None = None,
    altitude_m: float | None = None,
    dao: DaoForm | None = None,
    comment: str | bytes = "",
) -> bytes:
    """An object of up to nine characters at an uncompressed position."""
    if not 1 <= len(name.strip()) <= 9 or not (name.isascii() and name.isprintable()):
        raise ValueError(f"an object's name has one to nine printable characters, not {name!r}")
    body, tail = _coordinates(latitude_deg, longitude_deg, symbol, dao)
    head = f";{name.strip():<9}{'*' if alive else '_'}{_clock(time_s)}"
    return (head + body + _course_speed(course_deg, speed_ms) + _altitude(altitude_m)).encode(
        "ascii"
    ) + _comment(comment, tail)


def status(text: str | bytes, *, time_s: float | None = None) -> bytes:
    """A status report; `time_s` as DDHHMMz."""
    stamp = "" if time_s is None else datetime.fromtimestamp(time_s, UTC).strftime("%d%H%Mz")
    return b">" + stamp.encode("ascii") + _bytes(text)


def message(addressee: str, text: str | bytes) -> bytes:
    """A message; the addressee has up to nine characters."""
    if not 1 <= len(addressee) <= 9:
        raise ValueError(f"an addressee has one to nine characters, not {addressee!r}")
    return f":{addressee:<9}:".encode("ascii") + _bytes(text)


def base91(number: int, width: int) -> str:
    """`number` in `width` base-91 characters, "!" to "{"."""
    if not 0 <= number < 91**width:
        raise ValueError(f"{number} does not fit in {width} base-91 characters")
    characters = []
    for _ in range(width):
        number, digit = divmod(number, 91)
        characters.append(chr(33 + digit))
    return "".join(reversed(characters))


def _split(
    latitude_deg: float, longitude_deg: float, dao: DaoForm | None
) -> tuple[tuple[int, int], tuple[int, int], str]:
    """Degrees and hundredths of minutes of both coordinates, and the !DAO! text.

    With `dao` the digits are cut and the rest goes there. The poles and 180 degrees are sent one
    step short: aprslib does not read them.
    """
    _check_position(latitude_deg, longitude_deg)
    finer = 1 if dao is None else _DAO_STEPS[dao]
    parts, rests = [], []
    for angle_deg, limit_deg in ((latitude_deg, 90), (longitude_deg, 180)):
        steps = min(round(abs(angle_deg) * 6000 * finer), limit_deg * 6000 * finer - 1)
        hundredths, rest = divmod(steps, finer)
        parts.append(divmod(hundredths, 6000))
        rests.append(rest)
    text = ""
    if dao == "human":
        text = f"!W{rests[0]}{rests[1]}!"
    elif dao == "base91":
        text = f"!w{base91(rests[0], 1)}{base91(rests[1], 1)}!"
    return parts[0], parts[1], text


def _coordinates(
    latitude_deg: float, longitude_deg: float, symbol: str, dao: DaoForm | None
) -> tuple[str, str]:
    _check_symbol(symbol)
    latitude, longitude, tail = _split(latitude_deg, longitude_deg, dao)
    text = (
        f"{latitude[0]:02d}{latitude[1] // 100:02d}.{latitude[1] % 100:02d}"
        f"{'S' if latitude_deg < 0.0 else 'N'}{symbol[0]}"
        f"{longitude[0]:03d}{longitude[1] // 100:02d}.{longitude[1] % 100:02d}"
        f"{'W' if longitude_deg < 0.0 else 'E'}{symbol[1]}"
    )
    return text, tail


def _position_head(time_s: float | None, messaging: bool) -> str:
    if time_s is None:
        return "=" if messaging else "!"
    return ("@" if messaging else "/") + _clock(time_s)


def _clock(time_s: float) -> str:
    return datetime.fromtimestamp(math.floor(time_s), UTC).strftime("%H%M%Sh")


def _course_speed(course_deg: float | None, speed_ms: float | None) -> str:
    if course_deg is None and speed_ms is None:
        return ""
    knots = round((speed_ms or 0.0) / KNOT_MS)
    if not 0 <= knots <= 999:
        raise ValueError(f"speed {speed_ms} m/s does not fit in three digits of knots")
    course = 0 if course_deg is None else round(course_deg) % 360 or 360
    return f"{course:03d}/{knots:03d}"


def _altitude(altitude_m: float | None) -> str:
    if altitude_m is None:
        return ""
    feet = round(altitude_m / FOOT_M)
    if not -99_999 <= feet <= 999_999:
        raise ValueError(f"altitude {altitude_m} m does not fit in /A=")
    return f"/A={feet:06d}"


def _mic_e_degrees(degrees: int) -> int:
    if degrees < 10:
        return degrees + 118
    if degrees < 100:
        return degrees + 28
    return degrees + 8 if degrees < 110 else degrees - 72


def _comment(comment: str | bytes, tail: str = "") -> bytes:
    return _bytes(comment) + tail.encode("ascii")


def _bytes(text: str | bytes) -> bytes:
    data = text if isinstance(text, bytes) else text.encode("utf-8")
    if b"\r" in data or b"\n" in data:
        raise ValueError("a packet's text has no line ends")
    return data


def _check_position(latitude_deg: float, longitude_deg: float) -> None:
    if not (abs(latitude_deg) <= 90.0 and abs(longitude_deg) <= 180.0):
        raise ValueError(f"{latitude_deg}, {longitude_deg} is not on the earth")


def _check_symbol(symbol: str) -> None:
    if len(symbol) != 2 or not symbol.isascii() or not symbol.isprintable():
        raise ValueError(f"a symbol is its table and its code, not {symbol!r}")
