"""Flights that do not go up, burst and come down: are their phases right, and do the areas hold?

Made by the rehearsal. The prediction is asked every ten minutes from the launch on; the truth is where
the box came down in the end, whatever happened before. Counted are the areas from the moment on at
which the odd thing began; those of before, when nobody could know of it, stand apart, and so do those
of the fall. What is odd about a drag comes after the touch-down: the whole flight is counted.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np

from server.flight.mission import Mission
from tests.odd_flights import KINDS, Answer, begun_s, follow, make_odd

EACH = 40


def run(each: int = EACH) -> dict[str, Any]:
    """By kind: share of the time with the right phase, what it was called, and the areas."""
    figures: dict[str, Any] = {}
    for kind in (*KINDS, "interference"):
        phases: Counter[str] = Counter()
        answers: dict[str, list[Answer]] = {"before": [], "carried": [], "falling": []}
        bursts = 0
        for seed in range(each):
            made = make_odd(kind, 5_000 + seed)
            seen, found = follow(made)
            phases += seen
            for answer in found:
                falls = answer.at_s >= made.truth.burst_s
                carried = "carried" if answer.at_s >= begun_s(made) else "before"
                answers["falling" if falls else carried].append(answer)
            flight = Mission(made.plan)
            flight.receive(made.receptions)
            bursts += [e.kind for e in flight.events()].count("burst")
        total = sum(phases.values())
        wrong = {k: round(v / total, 4) for k, v in phases.most_common() if k != "right"}
        figures[kind] = {
            "phase_right": phases["right"] / total,
            "called": wrong,
            "bursts_per_flight": bursts / each,
            "from_its_beginning": _areas(answers["carried"] + answers["falling"]),
        } | {part: _areas(found) for part, found in answers.items()}
    return figures


def _areas(answers: list[Answer]) -> dict[str, float] | None:
    if not answers:
        return None
    return {
        "cover50": float(np.mean([a.in_half for a in answers])),
        "cover90": float(np.mean([a.in_nine_tenths for a in answers])),
        "error_km": float(np.median([a.off_m for a in answers])) / 1_000,
        "radius_90_km": float(np.median([a.radius_m for a in answers])) / 1_000,
        "predictions": len(answers),
    }
