"""The real flights, cut where the box was 10, 5 and 2 km above its last packet: do the areas hold that?

What was heard later is left out, but the last packet, which is the truth. It was in the air where nobody
heard the box on the ground: each area is that of the particles where they fall through its altitude. No
silence is put in, as the receivers did hear it. The drag is that of the flights of other days
(`tests.bench.landing`), so that no flight is judged by itself.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from server.flight.landing.predict import predict
from server.flight.landing.question import Ground, LandingQuestion
from server.flight.mission import Mission
from server.flight.search.particles import Kernel, evenly
from server.flight.search.search import SearchQuestion, search
from server.journal.recording import inferred_plan, read_recording
from tests.bench._landing_stages import Case
from tests.bench.landing import constants_without, real_cases
from tests.flights import real_logs

CUTS_KM = (10, 5, 2)


def run() -> dict[str, Any]:
    """Shares of flights whose last packet lies in the 50 and 90 % areas, by where they were cut."""
    cases = real_cases()
    held: dict[int, list[tuple[bool, bool]]] = {cut: [] for cut in CUTS_KM}
    for case in cases:
        for cut, question in _cut(case).items():
            found = _held(case, question, cases)
            if found is not None:
                held[cut].append(found)
    told = {f"cut_{cut}_km": _shares(found) for cut, found in held.items() if found}
    return told | {"all_cuts": _shares([one for found in held.values() for one in found])}


def _shares(found: list[tuple[bool, bool]]) -> dict[str, float]:
    half, ninety = np.mean(found, axis=0)
    return {"n": len(found), "cover50": float(half), "cover90": float(ninety)}


def _cut(case: Case) -> dict[int, LandingQuestion]:
    """The first question below each height, with what had been heard by then."""
    recording = read_recording(next(log for log in real_logs() if log.stem == case.name))
    mission = Mission(inferred_plan(recording))
    asked: dict[int, LandingQuestion] = {}
    for reception in recording.receptions:
        mission.receive([reception])
        flight = mission.flights[0]
        if flight.track.phase() != "descent":
            continue
        latest = flight.track.latest()
        if latest is None or latest.after.state is None:
            continue
        height_m = latest.after.state.mixture.z.position - case.altitude_m
        due = [cut for cut in CUTS_KM if cut not in asked and height_m < 1_000.0 * cut]
        if due:
            question = flight.landing_question()
            assert question is not None
            ground = Ground(case.altitude_m, 1.0)
            # at the last packet itself nothing is left to predict
            asked |= {cut: replace(question, ground=ground) for cut in due if height_m > 300.0}
        if len(asked) == len(CUTS_KM):
            break
    return asked


def _held(case: Case, question: LandingQuestion, cases: list[Case]) -> tuple[bool, bool] | None:
    landing = predict(question, constants_without(cases, case.day), members=1_000)
    if landing is None or landing.members is None:
        return None
    members = landing.members
    found = search(
        SearchQuestion(
            at_s=landing.time_s + 1_800.0,
            frame=question.frame,
            terrain=None,
            ground_m=case.altitude_m,
            prior=evenly(members.x_m, members.y_m, question.at_s + members.after_s),
            path=landing.path,
            lost_height_m=question.motion.z.position - case.altitude_m,
            trackers=(),
            interval_s=(),
            stretches=(),
            rate=0.7,
            cars=(),
            bearings=(),
            searched=(),
            seed=question.number,
        )
    )
    x, y = question.frame.to_xy(case.latitude_deg, case.longitude_deg)
    here = float(Kernel(found.particles).at(np.array([float(x)]), np.array([float(y)]))[0])
    return here >= found.half.level, here >= found.nine_tenths.level
