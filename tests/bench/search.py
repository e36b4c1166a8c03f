"""Made losses: do the areas of a search hold the true place, and is it found sooner by its suggestions?

The rehearsal flies (`server.rehearsal`, physics of its own); the box falls silent at the burst, 15, 10, 5
or 3 km. A third of the trackers ended there, a third sends on with a torn antenna (15 dB weaker), a third
as before but without positions. Packets are heard by the rehearsal's radio, not by the search's model of
it. A car drives to the predicted middle and listens for half an hour after the landing; bearings have
errors of 10 degrees, one in ten is a reflection. Time to find, of boxes that still send, from a car 25 km
off: by the suggestions (listen where told, bear, go to the best point, bear again), by driving to the
middle of the area and walking outwards from there, and by driving a spiral about it; whoever hears takes
bearings and homes in the same way. Ended boxes are found by nobody within the twelve hours.

The shared real flights are cut at 10, 5 and 2 km, and the last packet's place is the truth.
"""

from __future__ import annotations

import math
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from typing import Any

import numpy as np
import numpy.typing as npt

from decoders.reports import BearingReport
from server.flight.landing.predict import Landing, predict
from server.flight.landing.question import LandingQuestion
from server.flight.search.asked import Way, silent_stretches
from server.flight.search.particles import Kernel, evenly
from server.flight.search.search import SearchFound, SearchQuestion, search
from server.rehearsal.radio import SENSITIVITY_DBM, power_dbm
from tests.bench._landing_made import made_case
from tests.bench._landing_stages import STAGES

LOSSES = 300
TIMED = 45  # of them are searched for to the end: each takes a minute
MEMBERS = 1_000
_PROCESSES = 2
_INTERVAL_S = 60.0
_POWER_W, _WEAK_DB, _SLOPE_DB, _FADING_DB = 0.3, 15.0, 1.8, 4.0
_DRIVE_MS, _WALK_MS, _FACTOR = 15.0, 0.8, 1.35
_AFTER_S = 1_800.0  # the first look at the areas, after the landing
_BEARING_DEG, _REFLECTED = 10.0, 0.1
_SEEN_M = 60.0  # so near it is seen
_STEP_S = 600.0
_LONGEST_S = 12 * 3_600.0
_MOST_BEARINGS = 15
_EVERY = 3  # of the members, while it homes in
Array = npt.NDArray[np.float64]


@dataclass
class Loss:
    """What came of one: whether each area held, how large it was, and the times to find."""

    held: dict[str, tuple[bool, bool]]
    area_m2: dict[str, float]
    effective: list[float]
    update_s: list[float]
    found_s: dict[str, float] | None  # None: the tracker had ended


def run(packets: int = LOSSES) -> dict[str, Any]:
    """`packets`: how many losses."""
    with ProcessPoolExecutor(_PROCESSES, mp_context=get_context("spawn")) as pool:
        each = [one for one in pool.map(_of_loss, range(packets), chunksize=4) if one is not None]
    told: dict[str, Any] = {"losses": len(each)}
    for name in ("silence", "bearings"):
        held = [one.held[name] for one in each if name in one.held]
        told[f"{name}_cover50"] = float(np.mean([half for half, _ in held]))
        told[f"{name}_cover90"] = float(np.mean([ninety for _, ninety in held]))
    held = [one.held["prior"] for one in each]
    ratios = [o.area_m2["good"] / o.area_m2["prior"] for o in each if "good" in o.area_m2]
    effective = [value for one in each for value in one.effective]
    told |= {
        "cover50": float(np.mean([half for half, _ in held])),
        "cover90": float(np.mean([ninety for _, ninety in held])),
        "area_ratio_two_bearings": float(np.median(ratios)),
        "effective_particles_p5": float(np.quantile(effective, 0.05)),
        "ms_per_update": 1_000.0 * float(np.median([s for o in each for s in o.update_s])),
    }
    return told | _times([one.found_s for one in each if one.found_s is not None])


def _times(found: list[dict[str, float]]) -> dict[str, Any]:
    """Of those that were searched for to the end."""
    if not found:
        return {}
    times = {name: float(np.median([f[name] for f in found])) for name in found[0]}
    return {
        "time_ratio_to_middle": times["suggested"] / times["middle"],
        "time_ratio_to_spiral": times["suggested"] / times["spiral"],
        "median_h": {name: seconds / 3_600.0 for name, seconds in times.items()},
        "found_within_12_h": {
            name: float(np.mean([f[name] < _LONGEST_S for f in found])) for name in found[0]
        },
    }


class World:
    """Where it lies in truth, and what is heard of it."""

    def __init__(
        self, question: LandingQuestion, landing: Landing, truth: Array, seed: int
    ) -> None:
        self.q, self.landing, self.truth = question, landing, truth
        self.chance = np.random.default_rng(seed)
        self.loss_db = (None, _WEAK_DB, 0.0)[seed % 3]  # None: it has ended
        self.ground_m = question.ground.altitude_m

    def hears(self, at: Array, at_s: float) -> bool:
        """One packet, by a car; the rehearsal's radio."""
        if self.loss_db is None:
            return False
        path = self.landing.path
        here, height_m = self.truth[:2], 0.5
        if at_s < self.truth[2]:  # as the mean path falls, to the true place
            done = (at_s - path[0, 0]) / max(self.truth[2] - path[0, 0], 1.0)
            here = path[0, 1:3] + (self.truth[:2] - path[0, 1:3]) * done
            along = path[0, 0] + done * (path[-1, 0] - path[0, 0])
            height_m = max(float(np.interp(along, path[:, 0], path[:, 3])) - self.ground_m, 0.5)
        away_m = float(np.hypot(*(here - at)))
        mean = power_dbm(_POWER_W, away_m, height_m, 2.0, height_m) - self.loss_db
        margin = (mean + self.chance.normal(0.0, _FADING_DB) - SENSITIVITY_DBM) / _SLOPE_DB
        return bool(self.chance.random() < 1.0 / (1.0 + math.exp(-min(max(margin, -50.0), 50.0))))

    def bears(self, at: Array, at_s: float, number: int, *, good: bool = False) -> BearingReport:
        off = self.truth[:2] - at
        true_deg = math.degrees(math.atan2(off[0], off[1])) + self.chance.normal(0.0, _BEARING_DEG)
        if not good and self.chance.random() < _REFLECTED:
            true_deg = self.chance.uniform(0.0, 360.0)
        lat, lon = (float(v) for v in self.q.frame.to_latlon(*at))
        true_deg += self.q.frame.convergence_deg(lat, lon)
        sure = "sharp" if self.chance.random() < 0.5 else "broad"
        return BearingReport(
            "Car 1", f"note-{number:05}", at_s, latitude_deg=lat, longitude_deg=lon,
            bearing_deg=true_deg % 360.0, sureness=sure,  # type: ignore[arg-type]
        )  # fmt: skip


class Crew:
    """One car: where it was, what it heard, what it noted."""

    def __init__(self, world: World, at: Array, since_s: float) -> None:
        self.world, self.at, self.now_s = world, at.copy(), since_s
        self.places = [(since_s, float(at[0]), float(at[1]))]
        self.heard: list[tuple[float, str]] = []
        self.bearings: list[BearingReport] = []
        self._sent_s = since_s

    def go(self, to: Array, speed_ms: float, longest_s: float = math.inf) -> bool:
        """Towards a place, listening; True when it has come near the box, or heard a new packet."""
        until_s = self.now_s + longest_s
        while self.now_s < until_s and float(np.hypot(*(to - self.at))) > 1.0:
            left = to - self.at
            step_m = min(speed_ms / _FACTOR * _INTERVAL_S, float(np.hypot(*left)))
            self.at = self.at + left / np.hypot(*left) * step_m
            self.wait(max(step_m * _FACTOR / speed_ms, 1.0))
            if self.near() or self._just_heard():
                return True
        return False

    def near(self) -> bool:
        return float(np.hypot(*(self.world.truth[:2] - self.at))) < _SEEN_M

    def wait(self, seconds: float) -> None:
        self.now_s += seconds
        self.places.append((self.now_s, float(self.at[0]), float(self.at[1])))
        while self._sent_s + _INTERVAL_S <= self.now_s:
            self._sent_s += _INTERVAL_S
            if self.world.hears(self.at, self._sent_s):
                self.heard.append((self._sent_s, "Car 1"))

    def _just_heard(self) -> bool:
        return bool(self.heard) and self.heard[-1][0] > self.now_s - _INTERVAL_S

    def question(self, seed: int) -> SearchQuestion:
        world = self.world
        q, landing = world.q, world.landing
        assert landing.members is not None
        way = Way("Car 1", self.places, 70, 100)
        stretches = silent_stretches(
            [way], q.at_s, self.now_s, _INTERVAL_S, landing.time_s, self.heard
        )
        members, every = landing.members, _EVERY if len(self.bearings) > 2 else 1
        return SearchQuestion(
            at_s=self.now_s,
            frame=q.frame,
            terrain=None,
            ground_m=world.ground_m,
            prior=evenly(
                members.x_m[::every], members.y_m[::every], q.at_s + members.after_s[::every]
            ),
            path=landing.path,
            lost_height_m=q.motion.z.position - world.ground_m,
            trackers=("N0CALL-11",),
            interval_s=(_INTERVAL_S,),
            stretches=(stretches,),
            rate=way.rate,
            cars=((float(self.at[0]), float(self.at[1])),),
            bearings=tuple(self.bearings),
            searched=(),
            seed=seed,
        )


def _of_loss(seed: int) -> Loss | None:
    made = made_case(seed)
    if made is None:
        return None
    case, _ = made
    stage = STAGES[seed // 3 % len(STAGES)]
    question = case.questions.get(stage)
    landing = None if question is None else predict(question, members=MEMBERS)
    if question is None or landing is None or landing.members is None:
        return None
    x, y = question.frame.to_xy(case.latitude_deg, case.longitude_deg)
    world = World(question, landing, np.array([float(x), float(y), case.time_s]), seed)
    middle = np.array([landing.x_m, landing.y_m])
    angle = world.chance.uniform(0.0, 2.0 * math.pi)
    start = middle + 25_000.0 * np.array([math.sin(angle), math.cos(angle)])
    loss = Loss({}, {}, [], [], None)

    def look(name: str, asked: SearchQuestion) -> SearchFound:
        began = time.perf_counter()
        found = search(asked)
        loss.update_s.append(time.perf_counter() - began)
        loss.effective.append(found.particles.effective * len(asked.prior.weight) / MEMBERS)
        loss.held[name] = _held(found, world.truth)
        loss.area_m2[name] = found.nine_tenths.area_m2
        return found

    crew = Crew(world, start, question.at_s)
    plain = replace(crew.question(seed), stretches=((),))
    look("prior", plain)
    crew.go(middle, _DRIVE_MS, landing.time_s + _AFTER_S - crew.now_s)
    while crew.now_s < landing.time_s + _AFTER_S:
        crew.wait(_INTERVAL_S)
    look("silence", crew.question(seed))
    if world.loss_db is not None:
        turn = world.chance.uniform(0.0, 2.0 * math.pi)
        for number, more in enumerate((0.0, world.chance.uniform(0.9, 2.2))):
            away_m = world.chance.uniform(2_000.0, 6_000.0)
            at = world.truth[:2] + away_m * np.array([math.sin(turn + more), math.cos(turn + more)])
            crew.bearings.append(world.bears(at, crew.now_s, number))
            good = world.bears(at, crew.now_s, number + 10, good=True)
            plain = replace(plain, bearings=(*plain.bearings, good), at_s=crew.now_s)
        look("bearings", crew.question(seed))
        look("good", plain)
    if world.loss_db is not None and seed < TIMED:
        loss.found_s = {
            "suggested": _suggested(world, start, middle, seed),
            "middle": _outwards(world, start, middle, seed, driven=False),
            "spiral": _outwards(world, start, middle, seed, driven=True),
        }
    return loss


def _held(found: SearchFound, truth: Array) -> tuple[bool, bool]:
    here = float(Kernel(found.particles).at(truth[:1], truth[1:2])[0])
    return here >= found.half.level, here >= found.nine_tenths.level


def _suggested(world: World, start: Array, middle: Array, seed: int) -> float:
    """Listens where it is told to until it hears; then homes in."""
    crew = Crew(world, start, world.q.at_s)
    crew.go(middle, _DRIVE_MS, max(world.landing.time_s - crew.now_s, 0.0))
    while crew.now_s < world.q.at_s + _LONGEST_S:
        if crew.heard and crew.heard[-1][0] > world.truth[2]:
            return _home_in(crew, seed)
        hear = search(crew.question(seed)).listen
        if hear is None:
            return _LONGEST_S
        crew.go(np.array([hear.x_m, hear.y_m]), _DRIVE_MS)
        until_s = crew.now_s + _STEP_S
        while crew.now_s < until_s and not (crew.heard and crew.heard[-1][0] > world.truth[2]):
            crew.wait(_INTERVAL_S)
    return _LONGEST_S


def _outwards(world: World, start: Array, middle: Array, seed: int, *, driven: bool) -> float:
    """To the middle, then round it: on foot with a width of sight, or by car with what is heard."""
    crew = Crew(world, start, world.q.at_s)
    crew.go(middle, _DRIVE_MS)
    speed_ms = _DRIVE_MS / 2 if driven else _WALK_MS
    apart_m = 1_500.0 if driven else 2 * _SEEN_M
    turn = 0.0
    while crew.now_s < world.q.at_s + _LONGEST_S:
        if crew.near():
            return crew.now_s - world.q.at_s
        if crew.heard and crew.heard[-1][0] > world.truth[2]:
            return _home_in(crew, seed)
        radius_m = apart_m * turn / (2.0 * math.pi)
        turn += min(max(speed_ms / _FACTOR * _INTERVAL_S, 30.0) / max(radius_m, apart_m / 3), 0.7)
        to = middle + radius_m * np.array([math.sin(turn), math.cos(turn)])
        crew.go(to, speed_ms, _STEP_S)
    return _LONGEST_S


def _home_in(crew: Crew, seed: int) -> float:
    """Bear, go towards the best point, bear again, nearer and nearer; on foot for the last part."""
    world = crew.world
    number = 100
    while crew.now_s < world.q.at_s + _LONGEST_S and number < 100 + _MOST_BEARINGS:
        if crew.near():
            return crew.now_s - world.q.at_s
        heard = world.hears(crew.at, crew.now_s)
        crew.wait(120.0)  # to turn the antenna
        if heard:
            crew.bearings.append(world.bears(crew.at, crew.now_s, number))
        number += 1
        found = search(crew.question(seed))
        best = np.array(found.best)
        away_m = float(np.hypot(*(best - crew.at)))
        on_foot = away_m < 400.0
        to = best
        if away_m < 30.0:  # here it is not: a step aside shows the direction anew
            turn = world.chance.uniform(0.0, 2.0 * math.pi)
            to = crew.at + 250.0 * np.array([math.sin(turn), math.cos(turn)])
        elif not on_foot:
            to = crew.at + (best - crew.at) * 0.7
        crew.go(to, _WALK_MS * 1.5 if on_foot else _DRIVE_MS / 2)
    return _LONGEST_S
