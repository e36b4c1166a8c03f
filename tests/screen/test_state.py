"""The state's one definition: what is sent fits it, and the page's types are made from it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import orjson
import pytest
from pydantic import TypeAdapter

from server.flight.inputs import Reception, Tick
from server.flight.landing.predict import predict
from server.flight.mission import Mission
from server.flight.mission_state import State
from server.flight.view.answer import Answer
from server.flight.view.snapshot import snapshot
from server.journal.recording import DEMO_LOG, inferred_plan, read_recording
from server.plan.file import load
from server.screen.generate import SIDE, TYPES, side, types
from server.screen.replies import as_json
from tests.flights import real_logs
from tests.odd_flights import KINDS, make_odd
from tests.pad_flights import make_pad

STATE = TypeAdapter(State)
MOMENTS = 12


def test_what_is_generated_is_not_behind() -> None:
    """The page's types are those of the state, and its side has the panels that say so."""
    for path, made in ((TYPES, types()), (SIDE, side())):
        assert path.read_text(encoding="utf-8") == made, "run: python -m server.screen.generate"


def check(flight: Mission, heard: Sequence[Reception]) -> None:
    """At some moments of it: valid by the schema, back the same, and no number that is not finite."""
    heard = sorted(heard)
    step = max(len(heard) // MOMENTS, 1)
    for start in range(0, len(heard), step):
        flight.receive(heard[start : start + step])
        flight.apply(Tick(heard[min(start + step, len(heard)) - 1].heard_at_s + 1.0))
        question = flight.flights[0].landing_question()
        landing = None if question is None else predict(question)
        answers = []
        if question is not None and landing is not None:
            answers = [Answer(question, landing)]
        state = snapshot(flight, answers)
        sent = as_json(state)
        told = orjson.loads(sent)
        assert orjson.loads(as_json(STATE.validate_json(sent))) == told
        assert_finite(told)


def assert_finite(value: object) -> None:
    if isinstance(value, dict):
        for one in value.values():
            assert_finite(one)
    elif isinstance(value, list):
        for one in value:
            assert_finite(one)
    elif isinstance(value, float):
        assert math.isfinite(value)


def test_of_the_demo_flight() -> None:
    plan = load(Path(DEMO_LOG).with_suffix(".toml")).for_flight()
    check(Mission(plan), list(read_recording(DEMO_LOG).receptions))


@pytest.mark.parametrize("log", real_logs()[::7], ids=lambda log: log.stem)
def test_of_real_flights(log: Path) -> None:
    recording = read_recording(log)
    check(Mission(inferred_plan(recording)), list(recording.receptions))


@pytest.mark.parametrize("kind", [*KINDS, "interference"])
def test_of_odd_flights(kind: str) -> None:
    made = make_odd(kind, 5_001)
    check(Mission(made.plan), made.receptions)


def test_of_a_pad() -> None:
    pad = make_pad(3)
    check(Mission(pad.plan), pad.receptions)
