"""The made flight's cars, sensors and sources at any moment, as the state shows them."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from tests.screen import fake_flight as flight

MAIN, BACKUP, PHONE = "N0CALL-11", "N0CALL-12", "phone-1"
PREDICTED_AFTER_S = 300.0


def rfc3339(time_s: float) -> str:
    moment = datetime.fromtimestamp(round(time_s, 3), UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


class FakeChase:
    """What goes on about the flight at `now_s`."""

    now_s: float

    def _since_launch(self) -> float:
        return self.now_s - flight.LAUNCH_S

    def _car(self, name: str, time_s: float) -> tuple[float, float]:
        """The cars drive from the launch towards a point short of the landing."""
        part = min(max((time_s - flight.LAUNCH_S) / 7_000, 0.0), 1.0)
        spot = flight.first("landed")
        short = 0.93 if name == "Car 1" else 0.8
        return (
            flight.LAUNCH[0] + part * short * (spot.latitude_deg - flight.LAUNCH[0]) - 0.01,
            flight.LAUNCH[1] + part * short * (spot.longitude_deg - flight.LAUNCH[1]),
        )

    def _vehicles(self) -> list[dict[str, Any]]:
        spot = flight.first("landed")
        cars = []
        for name, own in (("Car 1", True), ("Car 2", False)):
            heard_s = self.now_s - (2 if own else 95)
            place = self._car(name, heard_s)
            bearing, distance = flight.bearing_and_range(
                place, (spot.latitude_deg, spot.longitude_deg)
            )
            drive_s = distance * 1.35 / 19
            predicted = self._since_launch() >= PREDICTED_AFTER_S
            cars.append(
                {
                    "name": name,
                    "own": own,
                    "source": "gps" if own else "N0CALL-9",
                    "time": rfc3339(heard_s),
                    "latitude_deg": place[0],
                    "longitude_deg": place[1],
                    "speed_ms": 24.6,
                    "course_deg": 81.0,
                    "distance_m": distance if predicted else None,
                    "bearing_deg": bearing if predicted else None,
                    "road_distance_m": distance * 1.35 if predicted else None,
                    "drive_s": drive_s if predicted else None,
                    "arrives": rfc3339(self.now_s + drive_s) if predicted else None,
                    "arrives_before_landing_s": spot.time_s - self.now_s - drive_s
                    if predicted
                    else None,
                }
            )
        return cars

    def _sensors(self, seen: flight.Moment) -> list[dict[str, Any]]:
        time = rfc3339(seen.time_s)
        values = (
            ("temperature outside", round(15 - seen.altitude_m / 500, 1), "degC"),
            ("temperature inside", 18.4, "degC"),
            ("pressure", round(1013.25 * 2.718281828 ** (-seen.altitude_m / 7_600), 1), "hPa"),
            ("humidity", 31.0, "%"),
            ("voltage", 4.1, "V"),
        )
        return [
            {"tracker": MAIN, "quantity": name, "value": value, "unit": unit, "time": time}
            for name, value, unit in values
        ]

    def _sources(self) -> list[dict[str, Any]]:
        since = rfc3339(flight.LAUNCH_S - 900)
        rows = (
            ("radio", "kiss-tcp", "open", None, self._number()),
            ("gps", "gpsd-tcp", "open", None, 900),
            ("internet", "aprs-is", "failed", "No route to the server. Trying again in 30 s.", 0),
            (PHONE, "phone", "waiting", "No phone has spoken yet.", 0),
        )
        return [
            {
                "name": name,
                "kind": kind,
                "state": state,
                "reason": reason,
                "since": since,
                "receptions": count,
            }
            for name, kind, state, reason, count in rows
        ]
