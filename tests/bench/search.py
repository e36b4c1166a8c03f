"""Made losses: do the areas of a search hold the true place, and is it found sooner by its suggestions?

The rehearsal flies (`server.rehearsal`, physics of its own); the box falls silent at the burst, 15, 10, 5
or 3 km. A third of the trackers ended there, a third sends on with a torn antenna (15 dB weaker), a third
as before but without positions. Packets are heard by the rehearsal's radio, not by the search's model of
it (`_search_world`). A car drives to the predicted middle and listens for half an hour after the landing;
bearings are taken from two places where it is heard, with errors of 10 degrees; one in ten is a
reflection. Time to find, from the loss on, by a car 25 km off that goes as the search suggests, to the
middle of the area and on foot from there, or by a spiral about it (`_search_strategies`). Medians and
means over the boxes, twelve hours counted for those that were not found by then; "sending": without
those that have ended, which nobody can hear.

The real flights are cut at 10, 5 and 2 km, and the last packet's place is the truth (`_search_real`).
"""

from __future__ import annotations

import math
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from typing import Any, NamedTuple

import numpy as np

from server.flight.landing.predict import Landing, predict
from server.flight.landing.question import LandingQuestion
from server.flight.search.particles import Kernel
from server.flight.search.search import SearchFound, SearchQuestion, search
from tests.bench import _search_real
from tests.bench._landing_made import made_case
from tests.bench._landing_stages import STAGES
from tests.bench._search_strategies import STRATEGIES
from tests.bench._search_world import (
    HALF_HEARD_M,
    INTERVAL_S,
    LONGEST_S,
    WEAK_DB,
    Array,
    Crew,
    World,
)

LOSSES = 300
TIMED = 75  # of them are searched for to the end, up to a minute each
MEMBERS = 1_000
_PROCESSES = 2
_AFTER_S = 1_800.0  # the first look at the areas, after the landing
_FAR_M = 25_000.0


@dataclass
class Loss:
    """What came of one: whether each area held, how large it was, and the times to find."""

    held: dict[str, tuple[bool, bool]]
    area_m2: dict[str, float]
    effective: list[float]
    update_s: list[float]
    found_s: dict[str, float] | None  # None: not searched for to the end
    sending: bool


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
    timed = [one for one in each if one.found_s is not None]
    told |= {"timed": len(timed)} | _times(timed)
    sending = _times([one for one in timed if one.sending])
    told |= {f"sending_{name}": value for name, value in sending.items()}
    return told | {"real": _search_real.run()}


def _times(timed: list[Loss]) -> dict[str, Any]:
    """Of those that were searched for to the end."""
    found = [one.found_s for one in timed if one.found_s is not None]
    if not found:
        return {}
    hours = {name: np.array([f[name] for f in found]) / 3_600.0 for name in found[0]}
    median = {name: float(np.median(h)) for name, h in hours.items()}
    mean = {name: float(np.mean(h)) for name, h in hours.items()}
    return {
        "time_ratio_to_middle": median["suggested"] / median["middle"],
        "time_ratio_to_spiral": median["suggested"] / median["spiral"],
        "knowing_ratio_to_middle": median["knowing"] / median["middle"],
        "mean_ratio_to_middle": mean["suggested"] / mean["middle"],
        "mean_ratio_to_spiral": mean["suggested"] / mean["spiral"],
        "median_h": median,
        "found_within_12_h": {
            name: float(np.mean(h < LONGEST_S / 3_600.0)) for name, h in hours.items()
        },
    }


class Lost(NamedTuple):
    """A made loss: the question as it stood, its prediction, the truth (x, y, UTC seconds)."""

    question: LandingQuestion
    landing: Landing
    truth: Array
    start: Array  # of the car
    loss_db: float | None

    def world(self, seed: int) -> World:
        return World(self.question, self.landing, self.truth, seed, self.loss_db)

    @property
    def middle(self) -> Array:
        return np.array([self.landing.x_m, self.landing.y_m])


def lost_box(seed: int) -> Lost | None:
    """None where the station never heard of the burst, or nothing could be predicted."""
    made = made_case(seed)
    if made is None:
        return None
    case, _ = made
    question = case.questions.get(STAGES[seed // 3 % len(STAGES)])
    landing = None if question is None else predict(question, members=MEMBERS)
    if question is None or landing is None or landing.members is None:
        return None
    x, y = question.frame.to_xy(case.latitude_deg, case.longitude_deg)
    angle = np.random.default_rng([seed, 1]).uniform(0.0, 2.0 * math.pi)
    start = np.array([landing.x_m, landing.y_m]) + _FAR_M * _towards(angle)
    truth = np.array([float(x), float(y), case.time_s])
    return Lost(question, landing, truth, start, (None, WEAK_DB, 0.0)[seed % 3])


def times_to_find(lost: Lost, seed: int) -> dict[str, float]:
    """Seconds from the loss, by each strategy: the same box, the same start, chance of its own."""
    return {
        name: strategy(lost.world(seed), lost.start, lost.middle, seed)
        for name, strategy in STRATEGIES.items()
    }


def _of_loss(seed: int) -> Loss | None:
    lost = lost_box(seed)
    if lost is None:
        return None
    world = lost.world(seed)
    loss = Loss({}, {}, [], [], None, lost.loss_db is not None)

    def look(name: str, asked: SearchQuestion) -> None:
        began = time.perf_counter()
        found = search(asked)
        loss.update_s.append(time.perf_counter() - began)
        loss.effective.append(found.particles.effective * len(asked.prior.weight) / MEMBERS)
        loss.held[name] = held(found, world.truth)
        loss.area_m2[name] = found.nine_tenths.area_m2

    crew = Crew(world, lost.start, lost.question.at_s)
    plain = replace(crew.question(seed), stretches=((),))
    look("prior", plain)
    until_s = lost.landing.time_s + _AFTER_S
    while crew.now_s < until_s:
        if not crew.drive(lost.middle, until_s):
            crew.wait(INTERVAL_S)
    look("silence", crew.question(seed))
    if world.loss_db is not None:
        turn = world.chance.uniform(0.0, 2.0 * math.pi)
        half_m = HALF_HEARD_M * 10.0 ** (-world.loss_db / 40.0)
        for number, more in enumerate((0.0, world.chance.uniform(0.9, 2.2))):
            at = world.truth[:2] + world.chance.uniform(0.3, 0.9) * half_m * _towards(turn + more)
            crew.drive(at)
            while not crew.bear() and not crew.given_up:
                crew.drive(at)
            good = world.bears(crew.at, crew.now_s, number + 10, good=True)
            plain = replace(plain, bearings=(*plain.bearings, good), at_s=crew.now_s)
        look("bearings", crew.question(seed))
        look("good", plain)
    if seed < TIMED:
        loss.found_s = times_to_find(lost, seed)
    return loss


def held(found: SearchFound, truth: Array) -> tuple[bool, bool]:
    """Whether a place lies in the 50 and in the 90 % area."""
    here = float(Kernel(found.particles).at(truth[:1], truth[1:2])[0])
    return here >= found.half.level, here >= found.nine_tenths.level


def _towards(angle: float) -> Array:
    return np.array([math.sin(angle), math.cos(angle)])
