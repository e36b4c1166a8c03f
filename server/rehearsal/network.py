"""Digipeaters that repeat, gates that feed the internet, the TNC in the car: one air for all."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import NamedTuple

import numpy as np

from decoders.ax25 import encode_ui
from decoders.reports import Transmission, Wire
from decoders.tnc2 import encode_line
from server.rehearsal.radio import Copy, Receiver, knife_edge_db, power_dbm, receive
from server.rehearsal.scenario import Scenario, Station
from server.rehearsal.terrain import ground_m
from server.rehearsal.trackers import Sent
from server.rehearsal.truth import distance_m

TNC_SOURCE, INTERNET_SOURCE = "tnc", "internet"
DIGIPEATER_W = 25.0
_DUPLICATE_S = 30.0  # digipeaters and the internet servers pass the same packet on once
_LATE_CHANCE, _LATE_S = 0.01, (15.0, 70.0)  # a digipeater whose channel was busy
_FEED_DELAY_S, _FEED_SPREAD = 0.5, 1.2  # log-normal; real lags: median 1.9 s, 95 % 5.3 s in all
_STALL_CHANCE, _STALL_S = 0.004, (20.0, 405.0)  # worst seen: 405 s
_STATION_BUSY = 0.06  # other traffic spoils a packet; common practice, no source


class Heard(NamedTuple):
    heard_at_ms: int
    source: str
    wire: Wire
    payload: bytes


def station_receiver(station: Station) -> Receiver:
    """Its antenna on its mast, above the ground where it stands."""
    foot_m = ground_m(station.latitude_deg, station.longitude_deg)
    return Receiver(
        station.callsign,
        station.latitude_deg,
        station.longitude_deg,
        foot_m + station.mast_m,
        station.mast_m,
        _STATION_BUSY,
    )


class Air:
    """Sends packets to every receiver, and passes on what they do with them."""

    def __init__(
        self,
        scenario: Scenario,
        receivers: list[Receiver],
        chance: np.random.Generator,
        at: Callable[[float, Callable[[float], None]], None],
        hear: Callable[[float, str, Wire, bytes], None],
        ridge: tuple[float, float] | None = None,
    ) -> None:
        """`at` schedules, `hear` is the station's ear. The receiver without a name is its TNC.

        `ridge`: its longitude, and its top above mean sea level.
        """
        self._ridge = ridge
        self._stations = {station.callsign: station for station in scenario.stations}
        self._internet = scenario.feed.internet
        self._receivers, self._chance, self._at, self._hear = receivers, chance, at, hear
        self._repeated: dict[tuple[str, str, bytes], float] = {}
        self._fed: dict[tuple[str, bytes], float] = {}

    def send(self, sent: Sent, place: tuple[float, float, float]) -> None:
        """A packet from `place` (latitude, longitude, altitude of the antenna)."""
        packet = Transmission(sent.sender, sent.destination, sent.path, sent.information)
        octets = 16 + 7 * len(sent.path) + len(sent.information)
        # who sends, as of now: the last that repeated it, or the sender
        speaker = next((v[:-1] for v in reversed(sent.path) if v.endswith("*")), sent.sender)
        for receiver in self._receivers:
            if receiver.name == speaker:
                continue
            copy = self._reception(receiver, place, sent.power_w, sent.time_s, octets)
            if copy.readable:
                self._at(
                    copy.to_s,
                    partial(self._received, receiver=receiver, copy=copy, packet=packet),
                )

    def reaches(
        self, receiver: Receiver, place: tuple[float, float, float], power_w: float, time_s: float
    ) -> bool:
        """Whether a short burst on a channel of its own gets through."""
        alone = replace(receiver, on_air=[])
        return self._reception(alone, place, power_w, time_s, 80).readable

    def _reception(
        self,
        receiver: Receiver,
        place: tuple[float, float, float],
        power_w: float,
        time_s: float,
        octets: int,
    ) -> Copy:
        away_m = distance_m(place, (receiver.latitude_deg, receiver.longitude_deg))
        height_m = place[2] - ground_m(place[0], place[1])
        mean_dbm = power_dbm(
            power_w, away_m, height_m, receiver.mast_m, place[2] - receiver.altitude_m
        )
        mean_dbm -= self._behind_db(receiver, place, away_m)
        return receive(receiver, time_s, octets, mean_dbm, self._chance)

    def _behind_db(
        self, receiver: Receiver, place: tuple[float, float, float], away_m: float
    ) -> float:
        """What the ridge takes where it stands between them."""
        if self._ridge is None or receiver.longitude_deg == place[1]:
            return 0.0
        longitude_deg, top_m = self._ridge
        part = (longitude_deg - place[1]) / (receiver.longitude_deg - place[1])
        if not 0.0 < part < 1.0:
            return 0.0
        line_m = place[2] + (receiver.altitude_m - place[2]) * part
        return knife_edge_db(top_m - line_m, away_m * part, away_m * (1.0 - part))

    def _received(
        self, time_s: float, receiver: Receiver, copy: Copy, packet: Transmission
    ) -> None:
        if not copy.readable:  # another packet fell on it before it had ended
            return
        station = self._stations.get(receiver.name)
        if station is None:
            self._hear(time_s, TNC_SOURCE, "kiss", b"\x00" + encode_ui(packet))
            return
        if station.digipeater:
            self._repeat(time_s, station, packet)
        if station.gate and self._internet:
            self._feed(time_s, station, packet)

    def _repeat(self, time_s: float, station: Station, packet: Transmission) -> None:
        path = repeated_path(packet.path, station.callsign)
        key = (station.callsign, packet.sender, packet.information)
        if path is None or time_s - self._repeated.get(key, -math.inf) < _DUPLICATE_S:
            return
        self._repeated[key] = time_s
        wait_s = float(self._chance.uniform(0.1, 0.8))
        if self._chance.random() < _LATE_CHANCE:
            wait_s += float(self._chance.uniform(*_LATE_S))
        again = Sent(
            time_s + wait_s,
            packet.sender,
            packet.destination,
            path,
            packet.information,
            DIGIPEATER_W,
        )
        foot_m = ground_m(station.latitude_deg, station.longitude_deg)
        place = (station.latitude_deg, station.longitude_deg, foot_m + station.mast_m)
        self._at(again.time_s, lambda _: self.send(again, place))

    def _feed(self, time_s: float, station: Station, packet: Transmission) -> None:
        delay_s = _FEED_DELAY_S * math.exp(_FEED_SPREAD * self._chance.standard_normal())
        if self._chance.random() < _STALL_CHANCE:
            delay_s += float(self._chance.uniform(*_STALL_S))
        line = encode_line(replace(packet, path=(*packet.path, "qAR", station.callsign)))

        def arrive(now_s: float) -> None:
            key = (packet.sender, packet.information)
            if now_s - self._fed.get(key, -math.inf) < _DUPLICATE_S:
                return
            self._fed[key] = now_s
            self._hear(now_s, INTERNET_SOURCE, "tnc2", line)

        self._at(time_s + delay_s, arrive)


def repeated_path(path: tuple[str, ...], callsign: str) -> tuple[str, ...] | None:
    """The path after this digipeater; None where there is nothing left to repeat."""
    for i, via in enumerate(path):
        if via.endswith("*"):
            continue
        alias, _, left = via.partition("-")
        if not alias.startswith("WIDE") or not left.isdigit() or int(left) < 1:
            return None
        rest = (f"{alias}-{int(left) - 1}",) if int(left) > 1 else ()
        return (*path[:i], f"{callsign}*", *rest, *path[i + 1 :])
    return None
