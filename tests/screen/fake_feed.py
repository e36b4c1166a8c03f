"""A feed with a made flight behind it, moved by hand: `feed.go(seconds since launch)`."""

from __future__ import annotations

import asyncio
import hmac
from collections.abc import Callable
from typing import Any

from server.flight.history import FixPoint, TrackPoint, VehiclePoint
from server.screen.feed import History, Mode, Refused
from tests.screen import fake_flight as flight
from tests.screen.fake_chase import BACKUP, MAIN, PHONE
from tests.screen.fake_state import BACKUP_LOST_S, FakeState

TOKEN = "corn-lantern-42"
JSON_TOKEN = "barn-lantern-43"


class FakeFeed(FakeState):
    def __init__(self, mode: Mode = "live", since_launch_s: float = 0.0) -> None:
        self.mode: Mode = mode
        self.now_s = flight.LAUNCH_S + since_launch_s
        self.received: list[tuple[str, bytes]] = []
        self.commands: list[tuple[Any, ...]] = []
        self.acknowledged: set[str] = set()
        self.units = "metric"
        self.speed, self.paused = 10.0, True
        self.comment = "bat 4.1V"  # what the main tracker says of itself
        self._subscribers: set[Callable[[], None]] = set()

    # what a test does

    def go(self, since_launch_s: float) -> None:
        self.now_s = flight.LAUNCH_S + since_launch_s
        self.changed()

    def changed(self) -> None:
        for notify in tuple(self._subscribers):
            notify()

    # the Feed

    def subscribe(self, on_change: Callable[[], None]) -> Callable[[], None]:
        self._subscribers.add(on_change)
        return lambda: self._subscribers.discard(on_change)

    async def receive(self, source: str, payload: bytes) -> int:
        await asyncio.sleep(0)
        self.received.append((source, payload))
        self.changed()
        return self._number()

    async def command(
        self, kind: str, name: str, latitude_deg: float | None, longitude_deg: float | None
    ) -> None:
        if kind == "acknowledge":
            if name not in {alarm["id"] for alarm in self.state()["alarms"]}:
                raise Refused("There is no such alarm.")
            self.acknowledged.add(name)
        self.commands.append((kind, name, latitude_deg, longitude_deg))
        self.changed()

    async def control(self, action: str, value: float | str | None) -> None:
        if self.mode != "replay":
            raise Refused("This flight is live: it has no controls.")
        self.commands.append((action, value))
        if action == "seek":
            self.now_s = float(value or 0)
        elif action == "speed":
            self.speed = float(value or 1)
        else:
            self.paused = action == "pause"
        self.changed()

    def phone_source(self, token: str) -> str | None:
        return PHONE if hmac.compare_digest(token.encode(), TOKEN.encode()) else None

    def json_source(self, token: str) -> str | None:
        return "lora" if hmac.compare_digest(token.encode(), JSON_TOKEN.encode()) else None

    def history(self) -> History:
        end = self._main_heard_s()
        rows = [m for m in flight.moments() if m.time_s <= end and m.time_s % 15 == 0]
        track: list[TrackPoint] = [
            (
                round(m.time_s, 3), round(m.latitude_deg, 6), round(m.longitude_deg, 6),
                round(m.altitude_m, 1), round(m.climb_ms, 2), 15.0, m.phase,
            )
            for m in rows
        ]  # fmt: skip
        main: list[FixPoint] = [
            (m.time_s, m.latitude_deg, m.longitude_deg, m.altitude_m, True, None)
            for m in rows
            if m.time_s % 30 == 0
        ]
        backup: list[FixPoint] = [
            (
                m.time_s,
                m.latitude_deg + (0.09 if m.time_s % 900 == 0 else 0.0001),
                m.longitude_deg,
                m.altitude_m,
                m.time_s % 900 != 0,
                "10 km from the track" if m.time_s % 900 == 0 else None,
            )
            for m in rows
            if m.time_s % 60 == 0 and m.time_s <= flight.LAUNCH_S + BACKUP_LOST_S
        ]
        cars: dict[str, list[VehiclePoint]] = {
            name: [
                (m.time_s, *self._car(name, m.time_s)) for m in rows[::4] if m.time_s <= self.now_s
            ]
            for name in ("Car 1", "Car 2")
        }
        outside = [(m.time_s, round(15 - m.altitude_m / 500, 1)) for m in rows[::4]]
        return History(
            track=track,
            fixes={MAIN: main, BACKUP: backup},
            vehicles=cars,
            sensors={
                f"{MAIN}/temperature outside": {"unit": "degC", "points": outside},
            },
        )
