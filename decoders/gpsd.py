"""gpsd's JSON: TPV gives positions; SKY, VERSION, DEVICES, WATCH and ERROR are remarks.

Field names and units: gpsd_json(5). The first TPV objects of a session have no time.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from decoders.reports import AltitudeDatum, DecodeError, PositionReport, StatusReport

# eph, epx, epy and epv are taken as 95 % figures, as older editions of gpsd_json(5) call them (quoted in
# the documentation of the crate gpsd_proto)
RADIUS_95_SIGMAS = 2.4477  # 95 % of a circular normal distribution
HEIGHT_95_SIGMAS = 1.96
MAX_DEVICE_CHARACTERS = 500
READ_CLASSES = ("TPV", "SKY")
_MODE_2D, _MODE_3D = 2, 3  # gpsd_json(5)

_Finite = Annotated[float, Field(allow_inf_nan=False)]
_Size = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
_Model = TypeVar("_Model", bound=BaseModel)


class _Tpv(BaseModel):
    model_config = ConfigDict(extra="ignore")

    mode: int = 0
    time: str | None = None
    lat: Annotated[float, Field(ge=-90.0, le=90.0)] | None = None
    lon: Annotated[float, Field(ge=-180.0, le=180.0)] | None = None
    altMSL: _Finite | None = None
    altHAE: _Finite | None = None
    alt: _Finite | None = None  # deprecated; above mean sea level
    track: Annotated[float, Field(ge=0.0, le=360.0)] | None = None
    speed: _Size | None = None
    climb: _Finite | None = None
    eph: _Size | None = None
    epx: _Size | None = None
    epy: _Size | None = None
    epv: _Size | None = None


class _Sky(BaseModel):
    model_config = ConfigDict(extra="ignore")

    time: str | None = None
    uSat: Annotated[int, Field(ge=0, le=1_000)] | None = None
    satellites: list[dict[str, Any]] = Field(default_factory=list, max_length=256)


class _Header(BaseModel):
    model_config = ConfigDict(extra="allow")

    class_: Annotated[str, Field(alias="class", max_length=40)]


def decode_object(line: bytes, name: str) -> PositionReport | StatusReport | None:
    """One JSON object. None: one that has nothing to say to a flight (VERSION, DEVICES, WATCH ...).

    `valid` is False below mode 2, and a fix in two dimensions (mode 2) has no altitude; without
    coordinates it is a StatusReport. DecodeError: not JSON, no class, or values that cannot be.
    """
    return decode_with_device(line, name)[0]


def decode_with_device(line: bytes, name: str) -> tuple[PositionReport | StatusReport | None, str]:
    """The same, and the path of the receiver that it comes from; "" where the object names none."""
    header = _check(_Header, line)
    extra = header.model_extra or {}
    device = extra.get("device")
    if not isinstance(device, str) or len(device) > MAX_DEVICE_CHARACTERS:
        device = ""
    if header.class_ == "TPV":
        return _position(_check(_Tpv, line), name), device
    if header.class_ == "SKY":
        return _sky(_check(_Sky, line), name), device
    if header.class_ == "ERROR":
        message = extra.get("message", "without words")
        return StatusReport(name, f"gpsd error: {str(message)[:200]}"), device
    return None, device


def _position(tpv: _Tpv, name: str) -> PositionReport | StatusReport:
    time_s = _time(tpv.time)
    if tpv.lat is None or tpv.lon is None:
        return StatusReport(name, "TPV: no position yet", time_s)
    datum: AltitudeDatum = "msl"
    altitude_m = tpv.altMSL
    if altitude_m is None and tpv.altHAE is not None:
        altitude_m, datum = tpv.altHAE, "ellipsoid"
    if altitude_m is None:
        altitude_m = tpv.alt
    three_dimensions = tpv.mode >= _MODE_3D
    if not three_dimensions:
        altitude_m = None
    return PositionReport(
        name=name,
        latitude_deg=tpv.lat,
        longitude_deg=tpv.lon,
        time_s=time_s,
        altitude_m=altitude_m,
        altitude_datum=datum,
        course_deg=None if tpv.track is None else tpv.track % 360.0,
        speed_ms=tpv.speed,
        climb_ms=tpv.climb if three_dimensions else None,
        sigma_h_m=_sigma_h(tpv),
        sigma_v_m=None if altitude_m is None or tpv.epv is None else tpv.epv / HEIGHT_95_SIGMAS,
        valid=tpv.mode >= _MODE_2D,
    )


def _sigma_h(tpv: _Tpv) -> float | None:
    """1 sigma along one axis."""
    if tpv.eph is not None:
        return tpv.eph / RADIUS_95_SIGMAS
    if tpv.epx is not None and tpv.epy is not None:
        return math.hypot(tpv.epx, tpv.epy) / math.sqrt(2.0) / RADIUS_95_SIGMAS
    return None


def _sky(sky: _Sky, name: str) -> StatusReport | None:
    used = sky.uSat
    if used is None:
        used = sum(1 for satellite in sky.satellites if satellite.get("used") is True)
    if not sky.satellites and sky.uSat is None:
        return None
    return StatusReport(name, f"SKY: {used} satellites used", _time(sky.time))


def _time(text: str | None) -> float | None:
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
        return moment.timestamp() if moment.tzinfo is not None else None
    except (ValueError, OverflowError):
        return None


def _check(model: type[_Model], line: bytes) -> _Model:
    try:
        return model.model_validate_json(line)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        place = ".".join(str(part) for part in first["loc"]) or "gpsd JSON"
        raise DecodeError(f"{place}: {first['msg']}") from error
