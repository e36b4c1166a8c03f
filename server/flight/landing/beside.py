"""The flights of one day help each other: what each has met, and where it burst, is known to the others.

A box that is twenty minutes ahead shows what lies above. How much its winds count there and then is
the wind field's business, as with any other measured winds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from server.flight.landing.measured_winds import measured
from server.flight.landing.question import LandingQuestion


def told_to_each_other(
    questions: Sequence[LandingQuestion | None],
) -> tuple[LandingQuestion | None, ...]:
    """The questions of all flights, in their order, each with what the other flights have met so far."""
    if sum(question is not None for question in questions) < 2:
        return tuple(questions)
    met = [
        None if q is None else measured(q.plan.name, q.winds_met(), q.frame, q.seen_burst())
        for q in questions
    ]
    return tuple(
        None
        if question is None
        else replace(
            question,
            others=(
                *question.others,
                *(m for k, m in enumerate(met) if k != n and m is not None and m.time_s.size),
            ),
        )
        for n, question in enumerate(questions)
    )
