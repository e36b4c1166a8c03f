"""The winds of a flight by height: the field that its landing rests on, and what each source measured.

Beside the state, not in it: some kilobytes that are asked for where somebody looks at them.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from server.flight.landing.measured_winds import MeasuredWinds, measured
from server.flight.landing.predict import WindField
from server.flight.times import moment
from server.flight.view.answer import Answer

WindLevel = tuple[float, float, float, float]  # altitude, towards east and north, sigma of each
WindPoint = tuple[float, float, float, datetime]  # altitude, towards east and north, when


@dataclass(frozen=True, slots=True)
class WindPoints:
    """What one source measured, from the lowest up; `name` "" is the flight itself."""

    name: str
    points: tuple[WindPoint, ...]


@dataclass(frozen=True, slots=True)
class Winds:
    """Metres above sea level, m/s by true north, 1 sigma of each component. `as_of`: of the landing.

    `levels`: where and when each will be fallen through; empty once it has landed.
    """

    flight: str
    as_of: datetime
    levels: tuple[WindLevel, ...]
    sources: tuple[WindPoints, ...]


def shown_winds(answer: Answer) -> Winds:
    """The field and its sources as the last prediction had them."""
    question, landing = answer.question, answer.landing
    own = measured("", question.winds_met(), question.frame)
    return Winds(
        flight=question.plan.name,
        as_of=moment(landing.as_of_s),
        levels=() if landing.winds is None else _levels(landing.winds),
        sources=tuple(one for one in map(_points, (own, *question.others)) if one.points),
    )


def _levels(field: WindField) -> tuple[WindLevel, ...]:
    columns = (field.altitude_m, field.east_ms, field.north_ms, field.sigma_ms)
    rows = zip(*(column.tolist() for column in columns), strict=True)
    return tuple((z, round(e, 2), round(n, 2), round(s, 2)) for z, e, n, s in rows)


def _points(one: MeasuredWinds) -> WindPoints:
    columns = (one.altitude_m, one.east_ms, one.north_ms, one.time_s)
    rows = sorted(zip(*(column.tolist() for column in columns), strict=True))
    return WindPoints(
        one.name, tuple((z, round(e, 2), round(n, 2), moment(t)) for z, e, n, t in rows)
    )
