"""What the others say: phone, cars, ground stations, and rubbish that nobody can read."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

import numpy as np
import orjson

from decoders import aprs_encode, nmea, phone
from decoders.ax25 import encode_ui
from decoders.reports import PositionReport, Transmission, Wire
from server.rehearsal.cars import Car
from server.rehearsal.scenario import Scenario, Station
from server.rehearsal.trackers import DESTINATION, GEOID_M, Sent, Voice, phone_fix
from server.rehearsal.truth import Truth

CAR_W = 25.0
_SAVED_FROM_S = -150.0  # the phone writes its positions down from shortly before the landing
_POST_EVERY_S = 120.0


def phone_posts(voice: Voice, truth: Truth) -> Iterator[tuple[float, bytes]]:
    """Silent in the air by rule. Once it has found a network: all that it saved, then one by one."""
    plan = voice.plan
    first_s = truth.landing_s + plan.report_after_s
    time_s = first_s
    saved_s = truth.landing_s + _SAVED_FROM_S
    while time_s < truth.end_s:
        moments = np.arange(saved_s, time_s, plan.interval_s)
        saved_s = float(moments[-1]) + plan.interval_s if moments.size else saved_s
        if voice.on_air(time_s) and moments.size:
            aloft_s = time_s - truth.start_s
            battery = max(100.0 - aloft_s / 300.0, 3.0)
            yield time_s, phone.encode_body(phone_fix(voice.fix(t), battery) for t in moments)
        time_s += _POST_EVERY_S


def car_report(
    car: Car, time_s: float, kind: str, chance: np.random.Generator
) -> Iterator[tuple[Wire, bytes]]:
    """The receiver in the car: gpsd's JSON, or NMEA sentences."""
    fix = PositionReport(
        car.plan.name,
        round(car.latitude_deg + float(chance.normal(0, 2e-5)), 9),
        round(car.longitude_deg + float(chance.normal(0, 2e-5)), 9),
        time_s=round(time_s),
        altitude_m=round(car.altitude_m + float(chance.normal(0, 1.5)), 3),
        course_deg=car.course_deg,
        speed_ms=round(car.speed_ms, 3),
    )
    if kind == "gpsd":
        yield "gpsd", tpv(fix)
    else:
        yield from (("nmea", line) for line in nmea_lines(fix))


def tpv(fix: PositionReport) -> bytes:
    """A TPV object as gpsd writes it (gpsd_json(5))."""
    moment = datetime.fromtimestamp(fix.time_s or 0.0, UTC)
    return orjson.dumps(
        {
            "class": "TPV",
            "device": "/dev/ttyACM0",
            "mode": 3,
            "time": moment.strftime("%Y-%m-%dT%H:%M:%S.000Z"),
            "lat": fix.latitude_deg,
            "lon": fix.longitude_deg,
            "altHAE": round((fix.altitude_m or 0.0) + GEOID_M, 3),
            "altMSL": fix.altitude_m,
            "epx": 3.1,
            "epy": 3.4,
            "epv": 8.2,
            "track": fix.course_deg,
            "speed": fix.speed_ms,
            "climb": 0.0,
        }
    )


def nmea_lines(fix: PositionReport) -> list[bytes]:
    """GGA and RMC of one moment."""
    return [nmea.encode_gga(fix).rstrip(), nmea.encode_rmc(fix).rstrip()]


def car_beacon(car: Car, time_s: float) -> Sent:
    """A chase car's own report by radio."""
    information = aprs_encode.uncompressed(
        car.latitude_deg,
        car.longitude_deg,
        time_s=time_s,
        symbol="/>",
        course_deg=car.course_deg,
        speed_ms=car.speed_ms,
        comment=car.plan.name,
    )
    sender = car.plan.callsign or ""
    return Sent(time_s, sender, DESTINATION, ("WIDE1-1", "WIDE2-1"), information, CAR_W)


def station_beacon(station: Station, time_s: float) -> Sent:
    """Where a digipeater or gate stands."""
    information = aprs_encode.uncompressed(
        station.latitude_deg,
        station.longitude_deg,
        symbol="/#" if station.digipeater else "I&",
        comment=station.place,
    )
    return Sent(time_s, station.callsign, DESTINATION, ("WIDE2-1",), information, CAR_W)


def garbage(
    scenario: Scenario, truth: Truth, seed: int
) -> Iterator[tuple[float, str, Wire, bytes]]:
    """Receptions that cannot be read: cut frames, mangled lines, noise with a TNC's flag."""
    chance = np.random.default_rng([seed, 4])
    kinds: list[str] = []
    if scenario.feed.tnc != "none":
        kinds += ["cut", "noise"]
    if scenario.feed.internet:
        kinds += ["mangled"]
    callsign = next((t.callsign for t in scenario.trackers if t.callsign), "N0CALL-11")
    for _ in range(scenario.garbage if kinds else 0):
        time_s = float(chance.uniform(truth.start_s + 60.0, truth.end_s - 60.0))
        kind = kinds[int(chance.integers(len(kinds)))]
        if kind == "cut":
            whole = encode_ui(Transmission(callsign, DESTINATION, ("WIDE2-1",), b"/"))
            yield time_s, "tnc", "kiss", b"\x00" + whole[: int(chance.integers(5, 19))]
        elif kind == "noise":
            noise = bytes(chance.integers(0, 256, int(chance.integers(9, 40)), dtype=np.uint8))
            yield time_s, "tnc", "kiss", b"\x00\x01" + noise
        else:
            line = f"{callsign}>{DESTINATION},qAR,N0CALL-10".encode()
            yield time_s, "internet", "tnc2", line[: int(chance.integers(6, len(line)))]
