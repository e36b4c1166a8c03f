"""Three ways to look for a box that is not heard: as suggested, from the middle outwards, by a spiral.

All begin 25 km off and drive to the middle of the predicted area while it falls; they differ in what they do
from then on until they hear it. A fourth is told the true place, drives there at once and homes in as the
others: no search that decides where to drive can take less.
"""

from __future__ import annotations

import math

import numpy as np

from server.flight.search.search import search
from server.flight.search.suggest import Walk
from tests.bench._search_world import LONGEST_S, SEEN_M, Array, Crew, World, home_in

_FOLLOWED_S = 600.0  # of a suggested drive, before it is asked again
_APART_M = 1_500.0  # between the turns of a spiral, about the range at which a box is heard
_STEP_M = 300.0
_LISTEN_S = 900.0  # in the middle, before one gets out


def suggested(world: World, start: Array, middle: Array, seed: int) -> float:
    """Drives, stops and walks as the search says until it hears; then homes in."""
    crew = Crew(world, start, world.q.at_s)
    crew.drive(middle, world.landing.time_s)
    while not crew.given_up:
        if crew.heard_on_ground:
            return home_in(crew, seed)
        found = search(crew.question(seed))
        hear = found.drive
        if found.walk_first or hear is None:
            _look_over(crew, found.walk)
            if crew.found:
                return crew.now_s - crew.began_s
            continue
        until_s = crew.now_s + max(_FOLLOWED_S, hear.takes_s - hear.stop_s)
        if crew.drive(np.array([hear.x_m, hear.y_m]), until_s):
            continue
        stop_s = crew.now_s + hear.stop_s
        while crew.now_s < stop_s and not crew.heard_on_ground:
            crew.wait(60.0)
        for place in hear.then if hear.stop_s == 0.0 else ():
            if crew.now_s >= until_s or crew.drive(np.array(place), until_s):
                break
    return LONGEST_S


def _look_over(crew: Crew, where: Walk) -> None:
    """To and fro over the stretch, a width of sight apart, for the hour that it is made for."""
    across = where.width_m < where.length_m  # the lines run along its longer side
    long_m, wide_m = sorted((where.width_m, where.length_m), reverse=True)
    lines = max(round(wide_m / (2 * SEEN_M)), 1)
    for n in range(lines):
        off_m = ((n + 0.5) / lines - 0.5) * wide_m
        ends = [-long_m / 2, long_m / 2] if n % 2 == 0 else [long_m / 2, -long_m / 2]
        corners = [
            np.array([where.x_m, where.y_m]) + np.array((off_m, e) if across else (e, off_m))
            for e in ends
        ]
        if n == 0 and crew.drive(corners[0]):
            return
        crew.walk(corners[0])
        crew.walk(corners[1])
        if crew.found or crew.heard_on_ground:
            return


def from_the_middle(world: World, start: Array, middle: Array, seed: int) -> float:
    """Listens in the middle; then walks round it, a width of sight apart."""
    crew = Crew(world, start, world.q.at_s)
    if not crew.drive(middle):
        until_s = max(crew.now_s, world.landing.time_s) + _LISTEN_S
        while crew.now_s < until_s and not crew.heard_on_ground:
            crew.wait(60.0)
    turn = 0.0
    while not crew.given_up and not crew.found and not crew.heard_on_ground:
        to, turn = _outwards(middle, turn, 2 * SEEN_M, 20.0)
        crew.walk(to)
    if crew.found:
        return crew.now_s - crew.began_s
    crew.searched = []  # thousands of steps; what was walked over is small beside the area
    return home_in(crew, seed) if crew.heard_on_ground else LONGEST_S


def spiral(world: World, start: Array, middle: Array, seed: int) -> float:
    """Drives round the middle, farther and farther out, at the same speed as anyone."""
    crew = Crew(world, start, world.q.at_s)
    heard = crew.drive(middle)
    while crew.now_s < world.landing.time_s and not heard:
        crew.wait(60.0)
        heard = crew.heard_on_ground
    turn = 0.0
    while not crew.given_up and not heard:
        to, turn = _outwards(middle, turn, _APART_M, _STEP_M)
        heard = crew.drive(to)
    return home_in(crew, seed) if heard else LONGEST_S


def knowing(world: World, start: Array, middle: Array, seed: int) -> float:
    """Drives to the true place and homes in; one that has ended is looked for on foot there."""
    crew = Crew(world, start, world.q.at_s)
    place = world.truth[:2]
    heard = crew.drive(place)
    while crew.now_s < world.truth[2]:
        crew.wait(60.0)
    until_s = crew.now_s + _LISTEN_S
    while world.loss_db is not None and not heard and crew.now_s < until_s:
        crew.wait(60.0)
        heard = crew.heard_on_ground
    if heard:
        return home_in(crew, seed)
    while not crew.found and not crew.given_up:
        crew.walk(place + 2.0 * SEEN_M)
        crew.walk(place)
    return crew.now_s - crew.began_s


def _outwards(middle: Array, turn: float, apart_m: float, step_m: float) -> tuple[Array, float]:
    """The next point of an Archimedean spiral."""
    radius_m = apart_m * turn / (2.0 * math.pi)
    turn += min(step_m / max(radius_m, apart_m / 3.0), 0.7)
    radius_m = apart_m * turn / (2.0 * math.pi)
    return middle + radius_m * np.array([math.sin(turn), math.cos(turn)]), turn


STRATEGIES = {
    "suggested": suggested,
    "middle": from_the_middle,
    "spiral": spiral,
    "knowing": knowing,
}
