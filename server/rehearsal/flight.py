"""A whole made flight: truth, trackers, channel, cars, and what the station hears of it all.

`fly` makes one at a stroke. `Stage` plays it bit by bit, so that cars can follow a prediction that
somebody else makes while the flight goes on.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from decoders.reports import Wire
from server.rehearsal.box import Box, feel
from server.rehearsal.cars import Car, cars_of
from server.rehearsal.faults import FaultTime
from server.rehearsal.network import Air, Heard, station_receiver
from server.rehearsal.pad import before
from server.rehearsal.radio import Receiver, airtime_s
from server.rehearsal.scenario import Scenario
from server.rehearsal.scenario import Tracker as TrackerPlan
from server.rehearsal.terrain import ground_m
from server.rehearsal.trackers import Sent, Voice
from server.rehearsal.truth import Truth, make, metres_per_degree
from server.rehearsal.voices import (
    car_beacon,
    car_report,
    garbage,
    nmea_lines,
    phone_posts,
    station_beacon,
)

CAR_MAST_M = 2.0
CAR_BEACON_S = 60.0
STATION_BEACON_S = 1_200.0
AIM_EVERY_S = 300.0
_PAUSE_S = 0.1  # after another tracker's packet
_CABLE_S = 0.15  # from the receiver to the station
_CREW_ERROR_M = (9_000.0, 4_500.0, 700.0)  # of the crew's own guess: at launch, burst, landing
_CAR_BUSY = 0.03  # other traffic spoils a packet; common practice, no source


@dataclass(frozen=True, slots=True)
class Flown:
    """`receptions` in order of hearing: (heard_at_ms, source, wire, payload)."""

    scenario: Scenario
    seed: int
    truth: Truth
    box: Box
    faults: tuple[FaultTime, ...]
    ours: tuple[Ours, ...]  # all flights that the plan knows, this one first
    receptions: tuple[tuple[int, str, Wire, bytes], ...]


@dataclass(frozen=True, slots=True)
class Ours:
    """One of the flights that the plan knows: what was so."""

    flight: str
    truth: Truth
    faults: tuple[FaultTime, ...]


def fly(scenario: Scenario, seed: int | None = None) -> Flown:
    """The flight of `scenario`; the same seed (its own if None) gives the same bytes."""
    stage = Stage(scenario, seed)
    receptions = tuple(
        (heard.heard_at_ms, heard.source, heard.wire, heard.payload)
        for heard in stage.until(math.inf)
    )
    ours = tuple(stage.ours)
    return Flown(scenario, stage.seed, stage.truth, stage.box, stage.faults, ours, receptions)


class Stage:
    """The flight as it goes on. `until` gives what is heard up to a moment, in order."""

    def __init__(self, scenario: Scenario, seed: int | None = None, *, live: bool = False) -> None:
        """`live`: somebody sets `aim` of the cars as it goes on; otherwise the crews guess."""
        self.scenario = scenario
        self._car_kind: str = scenario.feed.car
        if not live and self._car_kind == "gpsd-real":
            self._car_kind = "gpsd"
        self.seed = scenario.seed if seed is None else seed
        self.truth = before(make(scenario, self.seed), scenario.launch.before, self.seed)
        self.box = feel(self.truth)
        self._chance = np.random.default_rng([self.seed, 3])
        self._queue: list[tuple[float, int, Callable[[float], None]]] = []
        self._order = itertools.count()
        self._heard: list[Heard] = []
        self._voices: list[tuple[Truth, Voice]] = []
        self._clear_s: dict[int, float] = {}  # by box: until when its air is taken
        self._cars = cars_of(scenario, self.truth)
        self._own = next((car for car in self._cars if car.plan.own), None)
        receivers = [station_receiver(station) for station in scenario.stations]
        self._car_receiver: Receiver | None = None
        if self._own is not None and scenario.feed.tnc != "none":
            self._car_receiver = Receiver("", 0.0, 0.0, 0.0, CAR_MAST_M, _CAR_BUSY)
            receivers.append(self._car_receiver)
        self._air = Air(scenario, receivers, self._chance, self._at, self._hear, self._ridge())
        faults: list[FaultTime] = []
        self._schedule_trackers(self.truth, self.box, scenario.trackers, faults, 10)
        self.ours = [Ours(scenario.flight, self.truth, tuple(faults))]
        for i, other in enumerate(scenario.others):
            place = (other.latitude_deg, other.longitude_deg)
            truth = make(
                scenario, self.seed, place=place, launch_after_s=other.launch_after_s, branch=i + 1
            )
            its: list[FaultTime] = []
            self._schedule_trackers(truth, feel(truth), other.trackers, its, 100 * (i + 1))
            if other.flight:
                self.ours.append(Ours(other.flight, truth, tuple(its)))
        self.faults = tuple(faults)
        self.end_s = max(one.truth.end_s for one in self.ours)
        self._schedule_cars(not live)
        self._schedule_stations()
        for time_s, source, wire, payload in garbage(scenario, self.truth, self.seed):
            self._hear_at(time_s, source, wire, payload)

    @property
    def cars(self) -> list[Car]:
        return self._cars

    @property
    def own(self) -> Car | None:
        """The car that carries the station."""
        return self._own

    def crew_hears(self, time_s: float, place: tuple[float, float] | None) -> bool:
        """Whether a packet that the followed box sends now would reach the own car's receiver.

        `place`: latitude and longitude of who walks with a receiver like it.
        """
        if self._own is None or self._car_receiver is None:
            return False
        truth, receiver = self.followed(self._own).truth, self._car_receiver
        self._place_car(time_s)
        if place is not None:
            above_m = ground_m(*place) + receiver.mast_m
            receiver = Receiver("on foot", *place, above_m, receiver.mast_m, receiver.busy)
        return any(
            voice.on_air(time_s)
            and self._air.reaches(receiver, truth.at(time_s), voice.plan.power_w, time_s)
            for its, voice in self._voices
            if its is truth and voice.plan.format not in ("phone", "nmea")
        )

    def until(self, time_s: float) -> list[Heard]:
        """Everything heard since the last call, up to `time_s` or the end of the flight."""
        end_s = min(time_s, self.end_s)
        while self._queue and self._queue[0][0] <= end_s:
            at_s, _, happen = heapq.heappop(self._queue)
            happen(at_s)
        heard, self._heard = self._heard, []
        return heard

    def _at(self, time_s: float, happen: Callable[[float], None]) -> None:
        heapq.heappush(self._queue, (time_s, next(self._order), happen))

    def _hear(self, time_s: float, source: str, wire: Wire, payload: bytes) -> None:
        self._heard.append(Heard(round(time_s * 1000), source, wire, payload))

    def _hear_at(self, time_s: float, source: str, wire: Wire, payload: bytes) -> None:
        self._at(time_s, lambda t: self._hear(t, source, wire, payload))

    def _ridge(self) -> tuple[float, float] | None:
        """Its longitude and its top."""
        ridge, (latitude_deg, longitude_deg, foot_m) = self.scenario.ridge, self.truth.landing
        if ridge is None:
            return None
        _, east_m = metres_per_degree(latitude_deg)
        return longitude_deg - ridge.west_of_landing_m / east_m, foot_m + ridge.above_ground_m

    def _schedule_trackers(
        self,
        truth: Truth,
        box: Box,
        trackers: tuple[TrackerPlan, ...],
        faults: list[FaultTime],
        branch: int,
    ) -> None:
        for i, plan in enumerate(trackers):
            chance = np.random.default_rng([self.seed, branch + i])
            voice = Voice(plan, truth, box, chance)
            faults += voice.faults
            self._voices.append((truth, voice))
            if plan.format == "phone":
                for time_s, body in phone_posts(voice, truth):
                    self._hear_at(time_s, plan.source or plan.name, "phone", body)
            elif plan.format == "nmea":
                self._schedule_nmea(voice, truth)
            else:
                for sent in voice.packets():
                    self._at(sent.time_s, partial(self._send, sent=sent, truth=truth))

    def _schedule_nmea(self, voice: Voice, truth: Truth) -> None:
        """A tracker with a data modem: its sentences reach the own car where the radio does."""
        plan = voice.plan

        def say(time_s: float) -> None:
            if self._car_receiver is None or not voice.on_air(time_s):
                return
            self._place_car(time_s)
            lines = nmea_lines(voice.fix(time_s))
            reach = self._air.reaches(self._car_receiver, truth.at(time_s), plan.power_w, time_s)
            for line in lines if reach else ():
                self._hear_at(time_s + _CABLE_S, plan.source or plan.name, "nmea", line)

        for time_s in np.arange(truth.start_s + plan.offset_s, truth.end_s, plan.interval_s):
            self._at(float(time_s), say)

    def _send(self, time_s: float, sent: Sent, truth: Truth) -> None:
        """Trackers on one box hear each other, and wait."""
        clear_s = self._clear_s.get(id(truth), -math.inf)
        if time_s < clear_s:
            self._at(clear_s + _PAUSE_S, lambda t: self._send(t, sent, truth))
            return
        self._clear_s[id(truth)] = time_s + airtime_s(len(sent.information) + 24)
        self._place_car(time_s)
        self._air.send(replace(sent, time_s=time_s), truth.at(time_s))

    def _place_car(self, time_s: float) -> None:
        if self._own is None or self._car_receiver is None:
            return
        self._own.drive(time_s)
        receiver = self._car_receiver
        receiver.latitude_deg = self._own.latitude_deg
        receiver.longitude_deg = self._own.longitude_deg
        receiver.altitude_m = self._own.altitude_m + CAR_MAST_M

    def _schedule_cars(self, own_aims: bool) -> None:
        feed = self.scenario.feed
        for number, car in enumerate(self._cars):
            if own_aims:
                bearing = self._chance.uniform(0, 2 * math.pi)
                for time_s in np.arange(self.truth.start_s, self.end_s, AIM_EVERY_S):
                    self._at(float(time_s), partial(self._guess, car=car, bearing=bearing))
            if car.plan.source is not None and (not car.plan.own or feed.car != "none"):
                every_s = feed.car_every_s
                for time_s in np.arange(self.truth.start_s + 0.4, self.end_s, every_s):
                    self._at(float(time_s), partial(self._report, car=car))
            if car.plan.callsign is not None:
                first_s = self.truth.start_s + 7.0 + 11.0 * number
                for time_s in np.arange(first_s, self.end_s, CAR_BEACON_S):
                    jitter_s = float(self._chance.uniform(0.0, 4.0))
                    self._at(float(time_s) + jitter_s, partial(self._beacon, car=car))

    def _guess(self, time_s: float, car: Car, bearing: float) -> None:
        """Where the crew believes that it comes down: nearer to the truth as the flight goes on."""
        truth = self.followed(car).truth
        moments = (truth.launch_s, truth.burst_s, truth.landing_s)
        off_m = float(np.interp(time_s, moments, _CREW_ERROR_M))
        if time_s > truth.landing_s + AIM_EVERY_S + self._phone_after_s():
            off_m = 0.0
        north_m = off_m * math.cos(bearing)
        east_m = off_m * math.sin(bearing)
        latitude_deg, longitude_deg, _ = truth.landing
        scale = 111_320.0
        shrink = math.cos(math.radians(latitude_deg))
        car.aim = (latitude_deg + north_m / scale, longitude_deg + east_m / scale / shrink)

    def followed(self, car: Car) -> Ours:
        """Whose landing a car drives to."""
        return next((one for one in self.ours if one.flight == car.plan.flight), self.ours[0])

    def _phone_after_s(self) -> float:
        after = [t.report_after_s for t in self.scenario.trackers if t.format == "phone"]
        return min(after, default=math.inf)

    def _report(self, time_s: float, car: Car) -> None:
        car.drive(time_s)
        for wire, line in car_report(car, time_s, self._car_kind, self._chance):
            self._hear_at(time_s + _CABLE_S, car.plan.source or "gps", wire, line)

    def _beacon(self, time_s: float, car: Car) -> None:
        car.drive(time_s)
        place = (car.latitude_deg, car.longitude_deg, car.altitude_m + CAR_MAST_M)
        self._place_car(time_s)
        self._air.send(car_beacon(car, time_s), place)

    def _schedule_stations(self) -> None:
        for i, station in enumerate(self.scenario.stations):
            receiver = station_receiver(station)
            place = (receiver.latitude_deg, receiver.longitude_deg, receiver.altitude_m)
            first_s = self.truth.start_s + 40.0 + 210.0 * i
            for time_s in np.arange(first_s, self.end_s, STATION_BEACON_S):
                sent = station_beacon(station, float(time_s))
                self._at(float(time_s), partial(self._beacon_of, sent=sent, place=place))

    def _beacon_of(self, time_s: float, sent: Sent, place: tuple[float, float, float]) -> None:
        self._place_car(time_s)
        self._air.send(sent, place)
