"""Sentences of comma-separated fields, as the trade commonly sends them by RTTY and LoRa.

    $$N0CALL-11,123,12:34:56,46.80000,-100.80000,12345,7*8C1F

The order of the fields is the plan's (`readings.FieldOrder`). The check is CRC-16/CCITT-FALSE, in
four hexadecimal digits, over what stands between the last leading "$" and "*". The form is common
practice, no source. Noise before the "$$" is passed over.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from decoders.aprs_library import KMH_MS, KNOT_MS
from decoders.aprs_time import nearest_time_of_day
from decoders.bounds import MOST_SATELLITES
from decoders.readings import FASTEST_MS, FOOT_M, HIGHEST_M, FieldOrder, name, number
from decoders.reports import DecodeError, PositionReport, Report, SensorReport, StatusReport

MAX_LINE_BYTES = 1024
_SENTENCE = re.compile(rb"\${2,}([^$*\r\n]{1,1000})\*([0-9A-Fa-f]{4})\s*")
_CLOCK = re.compile(r"(\d\d):?(\d\d):?(\d\d)(\.\d{1,6})?", re.ASCII)
_MINUTES = re.compile(r"([+-]?)(\d{1,3})([0-5]\d(?:\.\d{1,9})?)", re.ASCII)
MINUTE_M = 1852.0
# what a field's name may end in -> the unit; any other name is a sensor's without a unit
UNITS = {
    "degC": "degC",
    "hPa": "hPa",
    "Pa": "Pa",
    "percent": "%",
    "V": "V",
    "mV": "mV",
    "mA": "mA",
    "dBm": "dBm",
    "dB": "dB",
    "m": "m",
    "ms": "m/s",
}
KNOWN = (
    "callsign",
    "number",
    "time",
    "latitude_deg",
    "latitude_ddmm",
    "longitude_deg",
    "longitude_dddmm",
    "altitude_m",
    "altitude_ft",
    "speed_ms",
    "speed_kmh",
    "speed_knots",
    "course_deg",
    "climb_ms",
    "battery_percent",
    "satellites",
    "ignore",
)


def _crc_table() -> tuple[int, ...]:
    table = []
    for value in range(256):
        crc = value << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
        table.append(crc)
    return tuple(table)


_CRC_TABLE = _crc_table()  # polynomial 0x1021, highest bit first


def crc16(data: bytes) -> int:
    """CRC-16/CCITT-FALSE: initial value 0xFFFF, nothing reflected, no final XOR.

    Its check value for b"123456789" is 0x29B1 (Catalogue of parametrised CRC algorithms, where it
    is CRC-16/IBM-3740).
    """
    crc = 0xFFFF
    for byte in data:
        crc = (crc << 8 & 0xFFFF) ^ _CRC_TABLE[crc >> 8 ^ byte]
    return crc


def sentence(content: str) -> bytes:
    """`content` with "$$" before it and its check behind it, without a line end."""
    return f"$${content}*{crc16(content.encode('ascii')):04X}".encode("ascii")


def decode_sentence(
    line: bytes, heard_at_s: float, source: str, order: FieldOrder
) -> tuple[tuple[Report, ...], str | None]:
    """Position and sensors of one line, and words about fields that could not be read.

    Without a callsign among the fields the reports are named after `source`. DecodeError: no frame,
    a wrong check, fewer fields than the plan names, no name, or coordinates that cannot be.
    """
    start = line.rfind(b"$$")
    while start > 0 and line[start - 1 : start] == b"$":
        start -= 1
    match = _SENTENCE.fullmatch(line[start:]) if start >= 0 else None
    if match is None:
        raise DecodeError("not a sentence: '$$', fields, '*' and four hexadecimal digits expected")
    if (crc := crc16(match[1])) != int(match[2], 16):
        raise DecodeError(f"CRC-16 {match[2].decode()}, expected {crc:04X}")
    texts = match[1].decode("latin-1").split(",")
    if len(texts) < len(order.names):
        raise DecodeError(f"{len(texts)} fields, the plan names {len(order.names)}")
    given = dict(zip(order.names, (text.strip() for text in texts), strict=False))
    return _Fields(given).reports(heard_at_s, source, order)


class _Fields:
    """The fields of one sentence by name; what cannot be read is left out and told."""

    def __init__(self, given: dict[str, str]) -> None:
        self._given = given
        self._problems: list[str] = []

    def reports(
        self, heard_at_s: float, source: str, order: FieldOrder
    ) -> tuple[tuple[Report, ...], str | None]:
        called = name(self._given["callsign"]) if "callsign" in self._given else source
        time_s = self._time(heard_at_s)
        found: list[Report] = [self._place(called, time_s, order)]
        values, units = self._sensors()
        if values:
            found.append(SensorReport(called, values, units, time_s=time_s))
        problem = "; ".join(self._problems)
        return tuple(found), problem[:200] or None

    def _place(
        self, called: str, time_s: float | None, order: FieldOrder
    ) -> PositionReport | StatusReport:
        latitude, longitude = self._coordinate("latitude"), self._coordinate("longitude")
        if latitude is None or longitude is None:
            return StatusReport(called, "no position yet", time_s)
        altitude_m = self._number("altitude_m", -HIGHEST_M, HIGHEST_M)
        step_m = _step(self._given.get("altitude_m", ""))
        if "altitude_ft" in self._given:
            feet = self._number("altitude_ft", -HIGHEST_M / FOOT_M, HIGHEST_M / FOOT_M)
            altitude_m = None if feet is None else feet * FOOT_M
            step_m = _step(self._given["altitude_ft"]) * FOOT_M
        course_deg = self._number("course_deg", 0.0, 360.0)
        return PositionReport(
            name=called,
            latitude_deg=latitude[0],
            longitude_deg=longitude[0],
            time_s=time_s,
            altitude_m=altitude_m,
            altitude_datum=order.altitude_above,
            course_deg=None if course_deg is None else course_deg % 360.0,
            speed_ms=self._speed(),
            climb_ms=self._number("climb_ms", -FASTEST_MS, FASTEST_MS),
            resolution_h_m=latitude[1],
            resolution_v_m=step_m if altitude_m is not None else 0.0,
            battery_percent=self._number("battery_percent", 0.0, 100.0),
            satellites=self._number("satellites", 0.0, MOST_SATELLITES),
        )

    def _coordinate(self, what: str) -> tuple[float, float] | None:
        """Degrees, and the size of one step north-south in metres; None for an empty field."""
        limit = 90.0 if what == "latitude" else 180.0
        text = self._given.get(f"{what}_deg")
        if text is not None:
            if not text:
                return None
            try:
                return number(text, -limit, limit), _step(text) * 60.0 * MINUTE_M
            except DecodeError as error:
                raise DecodeError(f"{what}: {error}") from error
        text = self._given["latitude_ddmm" if what == "latitude" else "longitude_dddmm"]
        if not text:
            return None
        match = _MINUTES.fullmatch(text)
        degrees = -1.0 if match is None else int(match[2]) + float(match[3]) / 60.0
        if match is None or degrees > limit:
            raise DecodeError(f"{what} {text[:20]!r} is not degrees with two digits of minutes")
        return (-degrees if match[1] == "-" else degrees), _step(match[3]) * MINUTE_M

    def _time(self, heard_at_s: float) -> float | None:
        text = self._given.get("time", "")
        if not text:
            return None
        match = _CLOCK.fullmatch(text)
        hour, minute, second = (int(match[i]) for i in (1, 2, 3)) if match else (99, 0, 0)
        if match is None or hour > 23 or minute > 59 or second > 59:
            self._problems.append(f"time {text[:20]!r} is not HH:MM:SS or HHMMSS")
            return None
        if not abs(heard_at_s) < 1e12:
            return None
        seconds = 3600.0 * hour + 60.0 * minute + second + float(match[4] or 0)
        return nearest_time_of_day(seconds, heard_at_s)

    def _speed(self) -> float | None:
        for field, factor in (("speed_ms", 1.0), ("speed_kmh", KMH_MS), ("speed_knots", KNOT_MS)):
            speed = self._number(field, 0.0, FASTEST_MS / factor)
            if speed is not None:
                return speed * factor
        return None

    def _sensors(self) -> tuple[dict[str, float], dict[str, str]]:
        values: dict[str, float] = {}
        units: dict[str, str] = {}
        for field in self._given:
            if field in KNOWN:
                continue
            value = self._number(field, -1e9, 1e9)
            quantity, _, ending = field.rpartition("_")
            unit = UNITS.get(ending) if quantity else None
            quantity = quantity if unit is not None else field
            if value is not None:
                values[quantity] = value
                if unit is not None:
                    units[quantity] = unit
        return values, units

    def _number(self, field: str, least: float, most: float) -> float | None:
        text = self._given.get(field, "")
        if not text:
            return None
        return self._or_none(lambda: number(text, least, most), field)

    def _or_none(self, read: Callable[[], float], field: str) -> float | None:
        try:
            return read()
        except DecodeError as error:
            self._problems.append(f"{field} left out: {error}")
            return None


def _step(text: str) -> float:
    """The size of the last digit that was sent."""
    return float(10.0 ** -min(len(text.partition(".")[2]), 9)) if text else 0.0
