"""What each tracker sends and when: format, interval, GPS noise, and its script of faults."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from decoders import aprs_encode, aprs_encode_telemetry
from decoders.reports import PositionReport
from server.rehearsal.balloon import wandering
from server.rehearsal.box import Box
from server.rehearsal.faults import CEILING_M, FaultTime, fault_times
from server.rehearsal.scenario import Tracker
from server.rehearsal.truth import Truth, metres_per_degree

DESTINATION = "APZLWD"  # APZ: experimental software (APRS 1.0.1, chapter 4)
GEOID_M = -28.0  # ellipsoid height less sea level: the rehearsal's own number, measured nowhere
SCALES_EVERY = 40  # packets between two PARM, UNIT, EQNS rounds
SENSOR_NAMES = ("Outside", "Inside", "Pressure", "Humidity", "Battery")
SENSOR_UNITS = ("degC", "degC", "hPa", "%", "V")
SENSOR_SCALES = (
    (0.0, 0.02, -80.0),
    (0.0, 0.02, -80.0),
    (0.0, 0.15, 0.0),
    (0.0, 0.02, 0.0),
    (0.0, 0.001, 0.0),
)
_NOISE_H_M = 8.0  # per axis; two trackers on one box lie 12 to 14 m apart: ../shared/checks.md
_NOISE_V_M = 8.5
_DATUM_M = 10.0  # a constant error of each receiver's height
# chance that a packet falls into a null of the swinging antenna, log-normal over trackers; real
# flights miss 6 % of the packets in the median and 34 % at the worst tenth (tests/bench/rehearsal)
_NULL_CHANCE, _NULL_SPREAD, _MOST_NULLS = 0.05, 1.5, 0.4
_NULL_POWER = 1e-5
_NULL_STAYS = 0.25  # for the next packet too
_WAIT_S = 0.3  # until the channel is clear, mostly
_BUSY_CHANCE, _BUSY_S = 0.07, (1.5, 6.0)
_LOW_V = 0.55  # that the voltage loses by an empty battery
_LOW_POWER = 0.1
_BOOT_S = 45.0  # silent
_COLD_S = 75.0  # then without a fix


@dataclass(frozen=True, slots=True)
class Sent:
    """One packet on the air."""

    time_s: float
    sender: str
    destination: str
    path: tuple[str, ...]
    information: bytes
    power_w: float


class Voice:
    """One radio tracker on one box. The same chance gives the same packets."""

    def __init__(self, plan: Tracker, truth: Truth, box: Box, chance: np.random.Generator) -> None:
        self.plan, self._truth, self._box, self._chance = plan, truth, box, chance
        seconds = truth.altitude_m.size
        self._noise = [
            wandering(chance, seconds, size, memory_s)
            for size, memory_s in ((_NOISE_H_M, 60.0), (_NOISE_H_M, 60.0), (_NOISE_V_M, 150.0))
        ]
        self._datum_m = float(_DATUM_M * chance.standard_normal())
        self._sequence = int(chance.integers(0, 400))
        nulls = _NULL_CHANCE * math.exp(_NULL_SPREAD * chance.standard_normal())
        self._null_chance = min(nulls, _MOST_NULLS) if plan.nulls is None else plan.nulls
        self._nulled = False
        self.faults = tuple(fault_times(plan, truth))
        degree_north_m, degree_east_m = metres_per_degree(float(truth.latitude_deg[0]))
        self._degree = (degree_north_m, degree_east_m)

    def packets(self) -> Iterator[Sent]:
        """Everything it sends, in order of time."""
        plan, count = self.plan, 0
        time_s = self._truth.start_s + plan.offset_s
        if not plan.slotted:
            time_s += float(self._chance.uniform(0.0, 2.0))
        while time_s < self._truth.end_s:
            if self.on_air(time_s):
                if plan.telemetry and count % SCALES_EVERY == 12:
                    yield from self._scales(time_s + 4.0)
                count += 1
                yield self._packet(time_s)
            drift_s = 0.0 if plan.slotted else float(self._chance.normal(0.0, 0.15))
            time_s += plan.interval_s + drift_s

    def fix(self, time_s: float) -> PositionReport:
        """What its receiver says at a time: noise, and the faults that touch it."""
        asked_s = time_s
        for fault in self._active(time_s, "frozen"):
            asked_s = fault.from_s
        frozen = asked_s != time_s
        if self._active(time_s, "ceiling"):
            asked_s, ceiled = self._under_ceiling(asked_s)
            frozen = frozen or ceiled
        asked_s = math.floor(asked_s)
        i = self._truth.index(asked_s)
        latitude_deg, longitude_deg, altitude_m = self._truth.at(asked_s)
        north_m, east_m = self._degree
        off_east_m, off_north_m, off_up_m = self._truth.receiving.error_m(asked_s, self._chance)
        latitude_deg += (float(self._noise[0][i]) + off_north_m) / north_m
        longitude_deg += (float(self._noise[1][i]) + off_east_m) / east_m
        altitude_m += float(self._noise[2][i]) + off_up_m
        altitude_m = max(altitude_m + self._datum_m, 1.0)
        if self._active(time_s, "wrong_digit") and self._chance.random() < 0.3:
            latitude_deg, longitude_deg, altitude_m = self._slip(
                latitude_deg, longitude_deg, altitude_m
            )
        east, north = float(self._truth.east_ms[i]), float(self._truth.north_ms[i])
        if self._without_fix(time_s):
            latitude_deg = longitude_deg = 0.0
        return PositionReport(
            self.plan.callsign or self.plan.name,
            latitude_deg,
            longitude_deg,
            time_s=float(asked_s if not frozen else math.floor(time_s)),
            altitude_m=altitude_m,
            course_deg=math.degrees(math.atan2(east, north)) % 360.0,
            speed_ms=math.hypot(east, north),
            climb_ms=float(self._truth.climb_ms[i]),
        )

    def _packet(self, time_s: float) -> Sent:
        plan, fix = self.plan, self.fix(time_s)
        comment = plan.status
        if plan.telemetry:
            comment += self._telemetry(time_s)
        destination = DESTINATION
        course_deg, speed_ms = fix.course_deg, fix.speed_ms
        if plan.format == "mic-e":
            destination, information = aprs_encode.mic_e(
                fix.latitude_deg,
                fix.longitude_deg,
                course_deg=course_deg,
                speed_ms=speed_ms or 0.0,
                altitude_m=fix.altitude_m,
                comment=comment,
            )
        elif plan.format == "compressed":
            information = aprs_encode.compressed(
                fix.latitude_deg,
                fix.longitude_deg,
                time_s=fix.time_s,
                course_deg=course_deg,
                speed_ms=speed_ms,
                altitude_m=fix.altitude_m,
                comment=comment,
            )
        else:
            information = aprs_encode.uncompressed(
                fix.latitude_deg,
                fix.longitude_deg,
                time_s=fix.time_s,
                course_deg=course_deg,
                speed_ms=speed_ms,
                altitude_m=fix.altitude_m,
                dao="base91",
                comment=comment,
            )
        power_w = plan.power_w
        if self._active(time_s, "low_battery"):
            power_w *= _LOW_POWER
        if self._in_null():
            power_w *= _NULL_POWER
        wait_s = plan.hold_s + float(self._chance.exponential(_WAIT_S))
        if self._chance.random() < _BUSY_CHANCE:
            wait_s += float(self._chance.uniform(*_BUSY_S))
        return Sent(
            time_s + wait_s, plan.callsign or "", destination, plan.path, information, power_w
        )

    def _in_null(self) -> bool:
        """Nulls come in stretches; their share of all packets is the tracker's chance."""
        if self._nulled:
            chance = _NULL_STAYS
        else:
            chance = self._null_chance * (1 - _NULL_STAYS) / max(1 - self._null_chance, 1e-9)
        self._nulled = bool(self._chance.random() < chance)
        return self._nulled

    def _telemetry(self, time_s: float) -> str:
        i = self._truth.index(time_s)
        box = self._box
        battery_v = float(box.battery_v[i])
        for fault in self._active(time_s, "low_battery"):
            battery_v -= _LOW_V * min((time_s - fault.from_s) / 900.0, 2.0)
        values = (
            float(box.outside_c[i]),
            float(box.inside_c[i]),
            float(box.pressure_hpa[i]),
            float(box.humidity_percent[i]),
            battery_v,
        )
        self._sequence += 1
        counts = [
            min(max(round((value - offset) / scale), 0), 8_280)
            for value, (_, scale, offset) in zip(values, SENSOR_SCALES, strict=True)
        ]
        return aprs_encode_telemetry.comment_telemetry(self._sequence, counts)

    def _scales(self, time_s: float) -> Iterator[Sent]:
        name = self.plan.callsign or ""
        messages = (
            aprs_encode_telemetry.parameters(name, SENSOR_NAMES),
            aprs_encode_telemetry.units(name, SENSOR_UNITS),
            aprs_encode_telemetry.equations(name, SENSOR_SCALES),
        )
        for i, information in enumerate(messages):
            yield Sent(
                time_s + 3.0 * i, name, DESTINATION, self.plan.path, information, self.plan.power_w
            )

    def _active(self, time_s: float, kind: str) -> list[FaultTime]:
        return [f for f in self.faults if f.kind == kind and f.from_s <= time_s < f.to_s]

    def on_air(self, time_s: float) -> bool:
        """Whether it sends at all at that moment."""
        if self._truth.receiving.is_off(time_s):
            return False
        for fault in self.faults:
            if not fault.from_s <= time_s < fault.to_s:
                continue
            if fault.kind == "silent":
                return False
            if fault.kind == "reboot" and time_s < fault.from_s + _BOOT_S:
                self._sequence = 0
                return False
        return True

    def _without_fix(self, time_s: float) -> bool:
        """Just started again, or its antenna is gone: the receiver looks for its satellites."""
        if self._active(time_s, "no_fix"):
            return True
        cold_s = _BOOT_S + _COLD_S
        return any(f.kind == "reboot" and 0.0 <= time_s - f.from_s < cold_s for f in self.faults)

    def _under_ceiling(self, time_s: float) -> tuple[float, bool]:
        """The last second below the ceiling; the receiver keeps repeating it above."""
        i = self._truth.index(time_s)
        if self._truth.altitude_m[i] < CEILING_M:
            return time_s, False
        while i > 0 and self._truth.altitude_m[i] >= CEILING_M:
            i -= 1
        return self._truth.start_s + i, True

    def _slip(
        self, latitude_deg: float, longitude_deg: float, altitude_m: float
    ) -> tuple[float, float, float]:
        """One digit came out wrong."""
        digit = float(self._chance.integers(1, 10))
        where = self._chance.integers(0, 3)
        if where == 0:
            return latitude_deg + digit / 10.0, longitude_deg, altitude_m
        if where == 1:
            return latitude_deg, longitude_deg - digit / 10.0, altitude_m
        return latitude_deg, longitude_deg, altitude_m + digit * 1_000.0


def phone_fix(fix: PositionReport, battery_percent: float) -> PositionReport:
    """The same as a phone tells it: above the ellipsoid, with its own idea of its error."""
    return replace(
        fix,
        altitude_m=None if fix.altitude_m is None else round(fix.altitude_m + GEOID_M, 1),
        altitude_datum="ellipsoid",
        latitude_deg=round(fix.latitude_deg, 7),
        longitude_deg=round(fix.longitude_deg, 7),
        course_deg=None,
        speed_ms=0.0,
        sigma_h_m=3.0,
        sigma_v_m=6.0,
        battery_percent=round(battery_percent, 1),
    )
