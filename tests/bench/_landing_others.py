"""The climb with the winds of the day's other boxes: whole, and only what had been heard by then."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from server.flight.landing.measured_winds import MeasuredWinds, measured
from server.flight.mission import Mission
from server.journal.recording import inferred_plan, read_recording
from tests.bench._landing_ascent import Asked, ascent_figures
from tests.flights import real_logs

_BEFORE_S = 4 * 3_600.0  # of an earlier launch


class _Whole(NamedTuple):
    launched_s: float
    winds: MeasuredWinds


def _measured_by_all() -> dict[str, _Whole]:
    found = {}
    for log in real_logs():
        recording = read_recording(log)
        flight = Mission(inferred_plan(recording))
        flight.receive(list(recording.receptions))
        question = flight.flights[0].landing_question()
        launch = next((e for e in flight.events() if e.kind == "launch"), None)
        if question is None or launch is None:
            continue
        met = measured(log.stem, question.winds_met(), question.frame, question.seen_burst())
        found[log.stem] = _Whole(launch.time_s, met)
    return found


def climb_figures(asked: Sequence[Asked]) -> dict[str, dict[str, dict[str, float]]]:
    """By mixture (none: nothing else, of the same flights; earlier; live), then by height climbed."""
    whole = _measured_by_all()
    mixtures: dict[str, list[Asked]] = {"none": [], "earlier": [], "live": []}
    for case, questions in asked:
        own = whole.get(case.name)
        if own is None:
            continue
        before = [
            other.winds
            for name, other in whole.items()
            if name != case.name and 0.0 < own.launched_s - other.launched_s < _BEFORE_S
        ]
        if not before:
            continue
        mixtures["none"].append((case, questions))
        mixtures["earlier"].append(
            (case, {h: replace(q, others=tuple(before)) for h, q in questions.items()})
        )
        live = {
            h: replace(q, others=tuple(one.until(q.at_s) for one in before))
            for h, q in questions.items()
        }
        mixtures["live"].append((case, live))
    return {name: ascent_figures(some) for name, some in mixtures.items() if some}
