"""A lost box and the crew that looks for it: what is heard, borne and seen, by the rehearsal's physics.

All crews are alike, whatever decides where they go: one car that drives at one speed along roads that
are longer than a straight line, listens all the way, and takes a bearing where it stops and hears (four
minutes at most until a packet, two to turn the antenna; 10 degrees of error, one in ten a reflection). A
person on foot sees the box from 30 m with the chance of open ground, once for each time that it is
passed; from a car nobody sees it. Once it was heard on the ground all home in the same way (`home_in`),
by the posterior of all that was heard, borne and walked over.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from decoders.reports import BearingReport, SearchedReport
from server.flight.landing.predict import Landing
from server.flight.landing.question import LandingQuestion
from server.flight.search.asked import Way, silent_stretches
from server.flight.search.evidence import DETECTION
from server.flight.search.particles import Kernel, Particles, evenly
from server.flight.search.search import SearchQuestion, weighed
from server.flight.search.suggest import SIGHT_M, WALK_MS
from server.rehearsal.radio import SENSITIVITY_DBM, power_dbm

INTERVAL_S = 60.0
LONGEST_S = 12 * 3_600.0
WEAK_DB = 15.0
DRIVE_MS, ROAD_FACTOR = 15.0, 1.35  # common practice, no source
SEEN_M = SIGHT_M["open"] / 2.0
BEARING_DEG, REFLECTED = 10.0, 0.1
_POWER_W, _SLOPE_DB, _FADING_DB = 0.3, 1.8, 4.0
RECORD = (
    70,
    100,
)  # heard in plain sight: other traffic spoils the rest, in the world as in the record
HALF_HEARD_M = 1_480.0  # on the ground half of a sound box's packets, by the rehearsal's radio
_HEAR_S, _TURN_S = 240.0, 120.0
# by car while half of the chance lies farther about than this, and to this from the likeliest place
_WIDE_M, _ON_FOOT_M, _HALT_M = 250.0, 400.0, 100.0
_EVERY = 3  # of the members, while it homes in
Array = npt.NDArray[np.float64]


class World:
    """Where it lies in truth, and what is heard of it."""

    def __init__(
        self,
        question: LandingQuestion,
        landing: Landing,
        truth: Array,
        seed: int,
        loss_db: float | None,
    ) -> None:
        """`truth`: x, y, UTC seconds of the landing; `loss_db` None: the tracker has ended."""
        self.q, self.landing, self.truth = question, landing, truth
        self.chance = np.random.default_rng(seed)
        self.loss_db = loss_db
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
        readable = self.chance.random() < 1.0 / (1.0 + math.exp(-min(max(margin, -50.0), 50.0)))
        return bool(readable and self.chance.random() < RECORD[0] / RECORD[1])

    def bears(self, at: Array, at_s: float, number: int, *, good: bool = False) -> BearingReport:
        off = self.truth[:2] - at
        true_deg = math.degrees(math.atan2(off[0], off[1])) + self.chance.normal(0.0, BEARING_DEG)
        if not good and self.chance.random() < REFLECTED:
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
        self.began_s = since_s
        self.places = [(since_s, float(at[0]), float(at[1]))]
        self.heard: list[tuple[float, tuple[str, ...]]] = []
        self.bearings: list[BearingReport] = []
        self.searched: list[SearchedReport] = []
        self.found = False
        self._sent_s = since_s
        self._looked = False  # at the box, as it was passed

    @property
    def given_up(self) -> bool:
        return self.now_s >= self.began_s + LONGEST_S

    @property
    def heard_on_ground(self) -> bool:
        return bool(self.heard) and self.heard[-1][0] > self.world.truth[2]

    def drive(self, to: Array, until_s: float = math.inf) -> bool:
        """Towards a place; True when a packet from the ground has come on the way."""
        before = len(self.heard)
        while self.now_s < until_s and float(np.hypot(*(to - self.at))) > 1.0:
            self._step(to, DRIVE_MS / ROAD_FACTOR * INTERVAL_S / 2, DRIVE_MS / ROAD_FACTOR)
            if len(self.heard) > before and self.heard_on_ground:
                return True
        return False

    def walk(self, to: Array, longest_m: float = math.inf) -> None:
        """Looking about; what was walked over is noted."""
        line = [self.at.copy()]
        while longest_m > 0.0 and float(np.hypot(*(to - self.at))) > 1.0 and not self.found:
            self._step(to, min(20.0, longest_m), WALK_MS)
            longest_m -= 20.0
            line.append(self.at.copy())
            self._look()
        self._note(line)

    def wait(self, seconds: float) -> None:
        self.now_s += seconds
        self.places.append((self.now_s, float(self.at[0]), float(self.at[1])))
        while self._sent_s + INTERVAL_S <= self.now_s:
            self._sent_s += INTERVAL_S
            if self.world.hears(self.at, self._sent_s):
                self.heard.append((self._sent_s, ("Car 1",)))

    def bear(self) -> bool:
        """Stops until a packet comes, and turns the antenna; False: nothing was heard."""
        until_s, before = self.now_s + _HEAR_S, len(self.heard)
        while self.now_s < until_s:
            self.wait(INTERVAL_S)
            if len(self.heard) > before:
                self.wait(_TURN_S)
                number = len(self.bearings)
                self.bearings.append(self.world.bears(self.at, self.now_s, number))
                return True
        return False

    def question(self, seed: int, every: int = 1, *, plan: bool = True) -> SearchQuestion:
        """`every`: of the members of the ensemble; `plan` False: nobody asks where to drive."""
        world = self.world
        q, landing = world.q, world.landing
        assert landing.members is not None
        way = Way("Car 1", self.places, *RECORD)
        stretches = silent_stretches(
            [way], q.at_s, self.now_s, INTERVAL_S, landing.time_s, self.heard
        )
        members = landing.members
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
            interval_s=(INTERVAL_S if plan else None,),
            stretches=(stretches,),
            rate=way.rate,
            cars=((float(self.at[0]), float(self.at[1])),),
            bearings=tuple(self.bearings),
            searched=tuple(self.searched),
            seed=seed,
        )

    def _step(self, to: Array, step_m: float, speed_ms: float) -> None:
        left = to - self.at
        step_m = min(step_m, float(np.hypot(*left)))
        self.at = self.at + left / np.hypot(*left) * step_m
        self.wait(max(step_m / speed_ms, 0.1))

    def _look(self) -> None:
        near = float(np.hypot(*(self.world.truth[:2] - self.at))) < SEEN_M
        if near and not self._looked:
            self.found = bool(self.world.chance.random() < DETECTION["open"])
        self._looked = near

    def _note(self, line: list[Array]) -> None:
        x_m, y_m = np.array(line).T
        lat, lon = self.world.q.frame.to_latlon(x_m, y_m)
        path = tuple(zip(lat.tolist(), lon.tolist(), strict=True))
        walked = SearchedReport(
            "Car 1",
            f"path-{len(self.searched):05}",
            self.now_s,
            path=(path[0], path[-1]),
            closed=False,
            width_m=2 * SEEN_M,
            ground="open",
        )
        self.searched.append(walked)


def home_in(crew: Crew, seed: int) -> float:
    """Bear, go to the likeliest place, bear again: by car while it is wide, then on foot. Seconds."""
    while not crew.given_up:
        crew.bear()
        p = weighed(crew.question(seed, _EVERY, plan=False)).particles
        best, half_m = _likeliest(p)
        away_m = float(np.hypot(*(best - crew.at)))
        aside = best + _turned(crew, max(half_m, _HALT_M))
        if half_m > _WIDE_M or away_m > _ON_FOOT_M:
            crew.drive(best if away_m > half_m / 2 else aside)
            continue
        crew.walk(best if away_m > SEEN_M else aside, max(_HALT_M, 0.6 * away_m))
        if crew.found:
            return crew.now_s - crew.began_s
    return LONGEST_S


def _likeliest(p: Particles) -> tuple[Array, float]:
    """The middle of where half of the chance lies closest together, and how far about it half lies."""
    at = Kernel(p).at(p.x_m, p.y_m)
    order = np.argsort(-at)
    half = order[: int(np.searchsorted(np.cumsum(p.weight[order]), 0.5)) + 1]
    share = p.weight[half] / p.weight[half].sum()
    best = np.array([share @ p.x_m[half], share @ p.y_m[half]])
    off_m = np.hypot(p.x_m - best[0], p.y_m - best[1])
    order = np.argsort(off_m)
    held = np.cumsum(p.weight[order])
    return best, float(off_m[order][min(int(np.searchsorted(held, 0.5)), len(held) - 1)])


def _turned(crew: Crew, by_m: float) -> Array:
    """To the side, so that the next bearing is taken from elsewhere."""
    turn = crew.world.chance.uniform(0.0, 2.0 * math.pi)
    return by_m * np.array([math.sin(turn), math.cos(turn)])
