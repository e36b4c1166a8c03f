"""How the plan says that a source is to be read, where the wire alone does not tell.

A reception of such a wire cannot be read without it: it is counted as undecodable.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from decoders.reports import AltitudeDatum, DecodeError

FOOT_M = 0.3048
MAX_FIELDS = 64
MAX_NAME_CHARACTERS = 40
HIGHEST_M = 100_000.0  # and lowest, below 0: beyond, it is a fault and not an altitude
FASTEST_MS = 1_000.0
LATEST_S = 4_102_444_800.0  # 2100-01-01; before 1970 nothing was sent either
_NUMBER = re.compile(r"[+-]?(?:\d{1,20}(?:\.\d{0,20})?|\.\d{1,20})(?:[eE][+-]?\d{1,2})?", re.ASCII)


@dataclass(frozen=True, slots=True)
class NmeaRules:
    """A receiver that sends its sentences without checksum."""

    without_checksum: bool = True


@dataclass(frozen=True, slots=True)
class GpsdRules:
    """Of several receivers on one gpsd, the path of the one that speaks for the source."""

    device: str


@dataclass(frozen=True, slots=True)
class FieldOrder:
    """The fields of a `$$...*CRC` sentence by name, in order; see fields.KNOWN.

    ValueError: a name twice, none of a position, or more than MAX_FIELDS.
    """

    names: tuple[str, ...]
    altitude_above: AltitudeDatum = "msl"

    def __post_init__(self) -> None:
        named = [name for name in self.names if name != "ignore"]
        if not 1 <= len(self.names) <= MAX_FIELDS:
            raise ValueError(f"1 to {MAX_FIELDS} fields expected, not {len(self.names)}")
        if twice := sorted({name for name in named if named.count(name) > 1}):
            raise ValueError(f"field {', '.join(twice)} is there twice")
        for name in self.names:
            if not re.fullmatch(r"[A-Za-z]\w{0,39}", name, re.ASCII):
                raise ValueError(f"field {name!r}: a name of letters, digits and _ expected")
        for one, other in (("latitude_deg", "latitude_ddmm"), ("longitude_deg", "longitude_dddmm")):
            if (one in named) == (other in named):
                raise ValueError(f"fields need {one}, or {other} for degrees with minutes")
        if "altitude_m" in named and "altitude_ft" in named:
            raise ValueError("fields need altitude_m or altitude_ft, not both")


@dataclass(frozen=True, slots=True)
class JsonNames:
    """Dotted paths of what a JSON object tells: "decoded.gps.0.lat" goes into objects and lists.

    ValueError: two altitudes, or two times.
    """

    latitude_deg: str
    longitude_deg: str
    altitude_m: str | None = None
    altitude_ft: str | None = None
    altitude_above: AltitudeDatum = "msl"
    time: str | None = None  # ISO 8601; without a zone it is UTC
    time_epoch_s: str | None = None
    time_epoch_ms: str | None = None
    callsign: str | None = None  # without it the source's own name
    speed_ms: str | None = None
    course_deg: str | None = None
    climb_ms: str | None = None
    battery_percent: str | None = None
    satellites: str | None = None
    sensors: Mapping[str, tuple[str, str]] = field(default_factory=dict)  # name -> path, unit

    def __post_init__(self) -> None:
        times = [t for t in (self.time, self.time_epoch_s, self.time_epoch_ms) if t is not None]
        if len(times) > 1:
            raise ValueError("json needs one of time, time_epoch_s and time_epoch_ms")
        if self.altitude_m is not None and self.altitude_ft is not None:
            raise ValueError("json needs altitude_m or altitude_ft, not both")


Reading = NmeaRules | GpsdRules | FieldOrder | JsonNames


def number(value: object, least: float = -1e15, most: float = 1e15) -> float:
    """A finite number within bounds, from JSON or from text. DecodeError says what came instead."""
    if isinstance(value, str) and _NUMBER.fullmatch(text := value.strip()):
        result = float(text)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        try:
            result = float(value)
        except OverflowError:
            raise DecodeError("a number of hundreds of digits") from None
    else:
        raise DecodeError(f"{str(value)[:40]!r} is not a number")
    if not (math.isfinite(result) and least <= result <= most):
        raise DecodeError(f"{result:g} is not from {least:g} to {most:g}")
    return result


def name(value: object) -> str:
    """What a tracker calls itself: printable, 1 to 40 characters. DecodeError otherwise."""
    text = str(value).strip() if isinstance(value, str | int) else ""
    if not text or len(text) > MAX_NAME_CHARACTERS or not text.isprintable():
        raise DecodeError(
            f"{str(value)[:40]!r} is not a name of 1 to {MAX_NAME_CHARACTERS} letters"
        )
    return text
