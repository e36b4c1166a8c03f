"""The state of the made flight at any moment, in the shape of server/screen/state_schema.py."""

from __future__ import annotations

from typing import Any

from server.screen.feed import Mode
from tests.screen import fake_flight as flight
from tests.screen.fake_chase import BACKUP, MAIN, PHONE, PREDICTED_AFTER_S, FakeChase, rfc3339

BACKUP_LOST_S = 6_300.0  # since launch
MAIN_LOST_M = 880.0
PHONE_AFTER_LANDING_S = 240.0
AVOID = [
    {
        "type": "Feature",
        "properties": {"name": "Long Reservoir"},
        "geometry": {
            "type": "Polygon",
            "coordinates": [
                [
                    [-97.93, 37.93],
                    [-97.90, 37.96],
                    [-97.90, 37.99],
                    [-97.95, 37.95],
                    [-97.93, 37.93],
                ]
            ],
        },
    }
]  # an invented lake beside the landing


class FakeState(FakeChase):
    """What is known at `now_s`; the feed below it only moves the time."""

    mode: Mode
    acknowledged: set[str]
    comment: str
    speed: float
    paused: bool
    units: str

    def state(self) -> dict[str, Any]:
        seen = flight.at(self._main_heard_s())
        phase = "landed" if self._phone_heard() else seen.phase
        return {
            "now": rfc3339(self.now_s),
            "number": self._number(),
            "mode": self.mode,
            "flight": {
                "name": "Prairie Lantern 3",
                "launch_time": rfc3339(flight.LAUNCH_S),
                "launch_latitude_deg": flight.LAUNCH[0],
                "launch_longitude_deg": flight.LAUNCH[1],
                "launch_altitude_m": flight.GROUND_M,
                "units": self.units,
            },
            "phase": phase,
            "phase_probability": {phase: 0.98, "unknown": 0.02},
            "events": self._events(),
            "track": self._track(seen),
            "landing": self._landing(seen),
            "trackers": self._trackers(seen),
            "stations": [
                {
                    "name": "N0CALL-4",
                    "last_heard": rfc3339(self.now_s - 40),
                    "latitude_deg": 37.751,
                    "longitude_deg": -98.204,
                    "altitude_m": 512.0,
                    "packets": 31,
                }
            ],
            "vehicles": self._vehicles(),
            "sensors": self._sensors(seen),
            "alarms": self._alarms(),
            "receptions": {
                "total": self._number(),
                "undecodable": 3,
                "rejected": 4,
                "copies": self._number() // 5,
            },
            "sources": self._sources(),
            "plan_problems": [],
            "cautions": [
                "Ask before you enter private land.",
                "Leave it where it is in a power line, by a railway or in water.",
            ],
            "replay": self._replay(),
            "avoid": AVOID,
        }

    def _number(self) -> int:
        return max(int((self._since_launch() + 600) // 9), 1)

    def _main_heard_s(self) -> float:
        """When the main tracker was last heard: every 30 s, until it sinks behind the horizon."""
        burst_s = flight.first("descent").time_s
        lost_s = next(
            m.time_s
            for m in flight.moments()
            if m.time_s > burst_s and m.altitude_m < flight.GROUND_M + MAIN_LOST_M
        )
        end = min(self.now_s, lost_s)
        return end - end % 30

    def _phone_heard(self) -> bool:
        return self.now_s >= flight.first("landed").time_s + PHONE_AFTER_LANDING_S

    def _contact_lost(self) -> bool:
        return self.now_s - self._main_heard_s() > 90

    def _event(self, kind: str, moment: flight.Moment, text: str) -> dict[str, Any]:
        return {
            "kind": kind,
            "time": rfc3339(moment.time_s),
            "altitude_m": moment.altitude_m,
            "latitude_deg": moment.latitude_deg,
            "longitude_deg": moment.longitude_deg,
            "text": text,
        }

    def _events(self) -> list[dict[str, Any]]:
        heard = self._main_heard_s()
        events = []
        if heard >= flight.LAUNCH_S:
            events.append(self._event("launch", flight.first("ascent"), "Launched."))
        burst = flight.first("descent")
        if heard >= burst.time_s:
            events.append(self._event("burst", burst, "Burst at 29,600 m."))
        if self._phone_heard():
            events.append(self._event("landing", flight.first("landed"), "Landed."))
        return events

    def _track(self, seen: flight.Moment) -> dict[str, Any]:
        if self._phone_heard():
            seen = flight.first("landed")
        course, _ = flight.bearing_and_range((0, 0), (seen.north_ms, seen.east_ms))
        return {
            "time": rfc3339(self.now_s - 20 if self._phone_heard() else seen.time_s),
            "latitude_deg": seen.latitude_deg,
            "longitude_deg": seen.longitude_deg,
            "altitude_m": seen.altitude_m,
            "climb_ms": seen.climb_ms,
            "ground_speed_ms": (seen.east_ms**2 + seen.north_ms**2) ** 0.5,
            "course_deg": course,
            "sigma_h_m": 14.0,
            "sigma_v_m": 9.0,
            "height_above_ground_m": seen.altitude_m - flight.GROUND_M,
            "based_on": [MAIN, BACKUP],
        }

    def _landing(self, seen: flight.Moment) -> dict[str, Any] | None:
        if self._since_launch() < PREDICTED_AFTER_S:
            return None
        spot = flight.first("landed")
        left = max(spot.time_s - seen.time_s, 60.0)
        landed, lost = self._phone_heard(), self._contact_lost()
        miss = 0.0 if landed else left / 200_000
        centre = (round(spot.latitude_deg + miss, 5), round(spot.longitude_deg - miss, 5))
        radius = 25.0 if landed else 300 + left * 1.1
        path = [
            [rfc3339(m.time_s), round(m.latitude_deg, 5), round(m.longitude_deg, 5), m.altitude_m]
            for m in flight.moments()
            if seen.time_s <= m.time_s <= spot.time_s and m.time_s % 60 == 0
        ]
        path.append([rfc3339(spot.time_s), *centre, flight.GROUND_M])
        gone = None
        if lost:
            gone = {
                "time": rfc3339(seen.time_s),
                "altitude_m": seen.altitude_m,
                "height_above_ground_m": seen.altitude_m - flight.GROUND_M,
            }
        return {
            "time": rfc3339(spot.time_s),
            "time_early": rfc3339(spot.time_s - left * 0.05),
            "time_late": rfc3339(spot.time_s + left * 0.07),
            "latitude_deg": centre[0],
            "longitude_deg": centre[1],
            "altitude_m": flight.GROUND_M,
            "search_area": {
                name: {
                    "type": "Polygon",
                    "coordinates": [flight.ellipse(centre, radius * part, radius * part * 0.6, 68)],
                }
                for name, part in (("p50", 0.5), ("p90", 1.0))
            },
            "radius_90_m": radius,
            "as_of": rfc3339(self.now_s - 20 if landed else seen.time_s),
            "basis": "landed fix" if landed else "last contact" if lost else "prediction",
            "text": (
                "The phone reports from the ground."
                if landed
                else "Last heard 830 m above ground; carried on from there."
                if lost
                else "From the winds measured on the way up."
            ),
            "path": [] if landed else path,
            "fall_speed_sea_level_ms": flight.FALL_SEA_LEVEL_MS,
            "contact_lost": gone,
            "contacts": []
            if landed
            else [{"receiver": "Car 1", "lowest_altitude_m": 1_390.0, "lost": gone}],
            "avoid": [] if landed else [{"name": "Long Reservoir", "chance": 0.12}],
        }

    def _trackers(self, seen: flight.Moment) -> list[dict[str, Any]]:
        backup_s = min(self.now_s, flight.LAUNCH_S + BACKUP_LOST_S)
        backup_s -= backup_s % 60
        landed = flight.first("landed")
        phone_s = None
        if self._phone_heard():  # every 60 s from then on
            first_s = landed.time_s + PHONE_AFTER_LANDING_S
            phone_s = self.now_s - (self.now_s - first_s) % 60
        return [
            self._tracker(MAIN, "main", "Main", seen.time_s, 30.0),
            self._tracker(BACKUP, "backup", "Backup", backup_s, 60.0),
            self._tracker(PHONE, "phone", "Phone", phone_s, 60.0),
        ]

    def _tracker(
        self, name: str, role: str, label: str, heard_s: float | None, interval_s: float
    ) -> dict[str, Any]:
        age = None if heard_s is None else self.now_s - heard_s
        moment = None if heard_s is None else flight.at(heard_s)
        if age is None:
            state, text = "waiting", "Phone: silent in the air by rule. It reports after landing."
        elif age <= 2.5 * interval_s:
            state, text = "reporting", f"{label}: reporting every {interval_s:.0f} s."
        elif age <= 4 * interval_s:
            state, text = "late", f"{label}: late (expected every {interval_s:.0f} s)."
        else:
            state, text = "silent", f"{label}: silent (expected every {interval_s:.0f} s)."
        heard = 0 if heard_s is None else int((heard_s - flight.LAUNCH_S + 600) // interval_s)
        bearing, distance = (None, None)
        if moment is not None:
            place = (moment.latitude_deg, moment.longitude_deg)
            bearing, distance = flight.bearing_and_range(self._car("Car 1", self.now_s), place)
        return {
            "name": name,
            "label": label,
            "role": role,
            "state": state,
            "text": text,
            "last_heard": None if heard_s is None else rfc3339(heard_s),
            "last_fix_time": None if heard_s is None else rfc3339(heard_s),
            "last_latitude_deg": moment and moment.latitude_deg,
            "last_longitude_deg": moment and moment.longitude_deg,
            "last_altitude_m": moment and moment.altitude_m,
            "interval_s": None if heard_s is None else interval_s,
            "heard": heard,
            "missed": heard // 30,
            "copies": heard // 4,
            "fixes": heard,
            "rejected": 2 if role == "backup" else 0,
            "reject_reason": "10 km from the track" if role == "backup" else None,
            "last_packet": f"{name}>APRS,WIDE2-1:!3738.22N/09844.41WO {self.comment}"
            if heard
            else None,
            "last_path": "WIDE2-1" if heard else None,
            "direct": role == "main",
            "battery_percent": 71.0 if role == "phone" and heard else None,
            "voltage_v": 4.1 if role == "main" else None,
            "heard_by": [{"name": "Car 1 radio", "packets": heard}] if heard else [],
            "distance_m": distance,
            "bearing_deg": bearing,
        }

    def _alarms(self) -> list[dict[str, Any]]:
        alarms = []

        def add(kind: str, severity: str, time_s: float, text: str) -> None:
            alarms.append(
                {
                    "id": f"{kind}@{time_s:.0f}",
                    "kind": kind,
                    "severity": severity,
                    "time": rfc3339(time_s),
                    "text": text,
                    "acknowledged": f"{kind}@{time_s:.0f}" in self.acknowledged,
                }
            )

        burst_s = flight.first("descent").time_s
        if self._main_heard_s() >= burst_s:
            add("burst", "warning", burst_s, "Burst at 29,600 m: it is falling.")
        lost_s = flight.LAUNCH_S + BACKUP_LOST_S + 240
        if self.now_s >= lost_s:
            text = "Backup: silent 4 min (expected every 60 s). Last 11,140 m above ground."
            add("tracker_lost", "urgent", lost_s, text)
        if self._phone_heard():
            landed_s = flight.first("landed").time_s + PHONE_AFTER_LANDING_S
            add("landed", "info", landed_s, "The phone reports from the ground.")
        return alarms

    def _replay(self) -> dict[str, Any] | None:
        if self.mode != "replay":
            return None
        return {
            "speed": self.speed,
            "paused": self.paused,
            "position": rfc3339(self.now_s),
            "start": rfc3339(flight.moments()[0].time_s),
            "end": rfc3339(flight.moments()[-1].time_s),
            "log": "prairie-lantern-3.log",
        }
