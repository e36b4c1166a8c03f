"""One radio channel: who hears whom. Two metres, 1200 baud, frequency modulation.

Free-space loss, or that of the plane earth where it is larger (both textbook); a knee at the radio
horizon of the 4/3 earth, d[km] = 4.12 (√h1[m] + √h2[m]); fading; nulls of a swinging antenna seen
from below; and packets that fall on top of each other, of which the stronger may survive.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

FREQUENCY_MHZ = 144.39
SENSITIVITY_DBM = -112.0  # of a 1200-baud packet; common practice, no source
_SLOPE_DB = 1.8  # how sharply decoding sets in
_FADING_DB = 4.0
_BEYOND_DB_KM = 1.6  # past the horizon
_KNEE_DB = 8.0
_CAPTURE_DB = 6.0
_ANTENNA_DBI = 2.0
_LYING_DB = 20.0  # an antenna on its side in the crops; a guess
_NULL_DB = 14.0  # straight below a hanging antenna
_BITS_S = 1_200.0
_KEYING_S = 0.3
_OVERHEAD_BYTES = 24


@dataclass(slots=True)
class Receiver:
    """A station on the ground: where it is, how high its antenna stands, how busy its air is."""

    name: str
    latitude_deg: float
    longitude_deg: float
    altitude_m: float  # of the antenna, above mean sea level
    mast_m: float
    busy: float  # chance that other traffic spoils a packet
    on_air: list[Copy] = field(default_factory=list)


@dataclass(slots=True)
class Copy:
    """One packet as one receiver gets it."""

    from_s: float
    to_s: float
    power_dbm: float
    readable: bool


def airtime_s(octets: int) -> float:
    return _KEYING_S + 8 * (octets + _OVERHEAD_BYTES) / _BITS_S


def horizon_km(height_1_m: float, height_2_m: float) -> float:
    """Of two antennas above ground, 4/3 earth."""
    return 4.12 * (math.sqrt(max(height_1_m, 0.0)) + math.sqrt(max(height_2_m, 0.0)))


def power_dbm(
    power_w: float, distance_m: float, height_1_m: float, height_2_m: float, rise_m: float
) -> float:
    """Mean power at a receiver. Heights of the antennas above ground, `rise_m` between them."""
    path_m = max(math.hypot(distance_m, rise_m), 10.0)
    free_db = 20 * math.log10(path_m / 1000.0) + 20 * math.log10(FREQUENCY_MHZ) + 32.45
    low_1_m, low_2_m = max(height_1_m, 1.0), max(height_2_m, 1.0)
    plane_db = 40 * math.log10(path_m) - 20 * math.log10(low_1_m * low_2_m)
    loss_db = max(free_db, plane_db)
    if height_1_m < 1.5:
        loss_db += _LYING_DB
    beyond_km = distance_m / 1000.0 - horizon_km(low_1_m, low_2_m)
    if beyond_km > 0.0:
        loss_db += _KNEE_DB + _BEYOND_DB_KM * beyond_km
    elevation = math.atan2(abs(rise_m), max(distance_m, 1.0))
    null_db = _NULL_DB * max(math.sin(elevation) - 0.6, 0.0) / 0.4
    return 10 * math.log10(power_w * 1000.0) + 2 * _ANTENNA_DBI - loss_db - null_db


def knife_edge_db(above_m: float, from_m: float, to_m: float) -> float:
    """Loss behind an edge that stands `above_m` over the straight line, at these distances of its ends.

    ITU-R P.526, diffraction over a single knife edge; nothing where the line clears it well.
    """
    wave_m = 299.792458 / FREQUENCY_MHZ
    near_m, far_m = max(from_m, 1.0), max(to_m, 1.0)
    v = above_m * math.sqrt(2.0 * (near_m + far_m) / (wave_m * near_m * far_m))
    if v <= -0.78:
        return 0.0
    return 6.9 + 20.0 * math.log10(math.sqrt((v - 0.1) ** 2 + 1.0) + v - 0.1)


def receive(
    receiver: Receiver, from_s: float, octets: int, mean_dbm: float, chance: np.random.Generator
) -> Copy:
    """Put a packet on a receiver's air. Whether it is readable is settled once it has ended."""
    faded_dbm = mean_dbm + float(chance.normal(0.0, _FADING_DB))
    margin_db = (faded_dbm - SENSITIVITY_DBM) / _SLOPE_DB
    heard = chance.random() < 1.0 / (1.0 + math.exp(-max(min(margin_db, 50.0), -50.0)))
    spoilt = chance.random() < receiver.busy
    copy = Copy(from_s, from_s + airtime_s(octets), faded_dbm, bool(heard and not spoilt))
    receiver.on_air = [other for other in receiver.on_air if other.to_s > from_s]
    for other in receiver.on_air:
        if other.power_dbm < SENSITIVITY_DBM - 6.0 or faded_dbm < SENSITIVITY_DBM - 6.0:
            continue
        if faded_dbm < other.power_dbm + _CAPTURE_DB:
            copy.readable = False
        if other.power_dbm < faded_dbm + _CAPTURE_DB:
            other.readable = False
    receiver.on_air.append(copy)
    return copy
