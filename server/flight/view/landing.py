"""The landing as it is shown: point, areas, path, contact, and what is not as planned."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.chase.contact import Contact as ContactFound
from server.flight.chase.contact import Receiver, contact_of
from server.flight.inputs import AvoidArea as PlannedArea
from server.flight.landing.fall_signs import effect, plan_ratio, side_of
from server.flight.landing.predict import Landing as Predicted
from server.flight.landing.question import LandingQuestion
from server.flight.mission_state import AreaProperties, AvoidArea
from server.flight.shapes import MultiPolygon, Polygon
from server.flight.state import (
    AvoidChance,
    Basis,
    Contact,
    ContactLost,
    FallDeviation,
    Landing,
    PathPoint,
    RestSeen,
    SearchArea,
    Side,
    WindBackground,
    WindSource,
)
from server.flight.times import moment
from server.flight.track.phase_memory import FLYING


class Drawn(NamedTuple):
    """What stays the same for as long as a landing is shown."""

    search_area: SearchArea
    path: tuple[PathPoint, ...]


def drawn(question: LandingQuestion, landing: Predicted) -> Drawn:
    area = SearchArea(
        _polygon(question, landing.half.ring_m), _polygon(question, landing.nine_tenths.ring_m)
    )
    return Drawn(area, _path(question, landing))


def shown_landing(
    question: LandingQuestion,
    landing: Predicted,
    now_s: float,
    receivers: Sequence[Receiver],
    lost_after_s: float,
    known: Drawn | None = None,
) -> Landing:
    """`receivers`: whose contact is told, the first of them foremost. A payload that is aloft and was
    not heard for `lost_after_s` is looked for from its last contact. `known`: as `drawn` before."""
    search_area, path = drawn(question, landing) if known is None else known
    latitude_deg, longitude_deg = map(float, question.frame.to_latlon(landing.x_m, landing.y_m))
    basis: Basis = landing.basis
    lost = now_s - landing.as_of_s > lost_after_s
    if basis == "prediction" and question.phase in FLYING and lost:
        basis = "last contact"
    contacts: tuple[Contact, ...] = ()
    if basis != "landed fix":
        contacts = tuple(_contact(contact_of(question, landing, one)) for one in receivers)
    z_m = question.motion.z.position
    ground_m = question.known_ground_m
    ground_m = question.ground.altitude_m if ground_m is None else ground_m
    return Landing(
        time=moment(landing.time_s),
        time_early=moment(landing.early_s),
        time_late=moment(landing.late_s),
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        altitude_m=landing.altitude_m,
        search_area=search_area,
        radius_90_m=landing.nine_tenths.radius_m,
        as_of=moment(landing.as_of_s),
        as_of_phase=question.phase,
        as_of_altitude_m=z_m,
        as_of_height_above_ground_m=max(z_m - ground_m, 0.0),
        basis=basis,
        path=path,
        fall_speed_sea_level_ms=landing.fall_speed_sea_level_ms,
        sink_ms=_sink_ms(question),
        fall=_deviation(question, landing),
        rest=_rest(question) if basis == "landed fix" else None,
        winds=wind_sources(question),
        background=wind_background(question, landing),
        contacts=contacts,
        avoid=tuple(AvoidChance(name, chance) for name, chance in landing.avoid),
    )


def _path(question: LandingQuestion, landing: Predicted) -> tuple[PathPoint, ...]:
    """Every second row and the end: it is sent anew with each prediction."""
    count = len(landing.path)
    rows = landing.path[[*range(0, count - 1, 2), count - 1] if count else []]
    latitude_deg, longitude_deg = question.frame.to_latlon(rows[:, 1], rows[:, 2])
    columns = (rows[:, 0], latitude_deg, longitude_deg, rows[:, 3])
    return tuple(
        (moment(t), round(lat, 5), round(lon, 5), round(z, 1))
        for t, lat, lon, z in zip(*(column.tolist() for column in columns), strict=True)
    )


def _sink_ms(question: LandingQuestion) -> float | None:
    sinks = question.hang is not None and question.phase != "float"
    return -question.hang.rate_ms if sinks and question.hang is not None else None


def _rest(question: LandingQuestion) -> RestSeen:
    x, y = question.frame.to_xy(question.landed[:, 0], question.landed[:, 1])
    scatter_m = math.sqrt(float(np.var(x) + np.var(y)))
    return RestSeen(len(question.landed), scatter_m, question.carried_m)


def wind_background(question: LandingQuestion, landing: Predicted) -> WindBackground | None:
    """What it rests on where nobody has measured the wind."""
    if landing.background is None:
        return None
    run_s = None
    if landing.background == "forecast" and question.forecast is not None:
        run_s = question.forecast.run_s
    return WindBackground(landing.background, None if run_s is None else moment(run_s))


def wind_sources(question: LandingQuestion) -> tuple[WindSource, ...]:
    """The flight's own first, then the others, the newest first."""
    own = []
    if len(question.time_s):
        top_m = float(question.z_m.max())
        own = [WindSource("", moment(float(question.time_s[-1])), top_m, 0.0)]
    here = question.motion
    others = []
    for one in question.others:
        x_m, y_m = question.frame.to_xy(one.latitude_deg, one.longitude_deg)
        away_m = np.hypot(x_m - here.x.position, y_m - here.y.position)
        others.append(
            WindSource(
                one.name,
                moment(float(one.time_s.max())),
                float(one.altitude_m.max()),
                float(away_m.min()),
            )
        )
    return (*own, *sorted(others, key=lambda source: source.time, reverse=True))


def _deviation(question: LandingQuestion, landing: Predicted) -> FallDeviation | None:
    """A fall that changed, or is not the planned one."""
    change = landing.fall_change
    if change is not None:
        share = change.ratio - 1.0
        left_m = math.hypot(landing.x_m - landing.path[0, 1], landing.y_m - landing.path[0, 2])
        later_s = -share * (landing.time_s - landing.as_of_s)
        side: Side = "short" if share > 0.0 else "beyond"
        return FallDeviation(
            "before", change.ratio, change.since_m, later_s, left_m * abs(share), side
        )
    ratio, found = plan_ratio(question, landing), effect(question, landing)
    if ratio is None or found is None:
        return None
    return FallDeviation("plan", ratio, None, found.later_s, found.away_m, side_of(found.along))


def _contact(found: ContactFound) -> Contact:
    lost = None
    if found.lost is not None:
        lost = ContactLost(
            moment(found.lost.time_s), found.lost.altitude_m, found.lost.height_above_ground_m
        )
    return Contact(found.receiver, found.lowest_altitude_m, lost)


def shown_area(area: PlannedArea) -> AvoidArea:
    """Every ring a polygon of its own: holes are rare here, and hatched all the same."""
    return AvoidArea(AreaProperties(area.name), MultiPolygon(tuple((ring,) for ring in area.rings)))


def _polygon(question: LandingQuestion, ring_m: npt.NDArray[np.float64]) -> Polygon:
    latitude_deg, longitude_deg = question.frame.to_latlon(ring_m[:, 0], ring_m[:, 1])
    ring = [
        (round(lon, 6), round(lat, 6))
        for lon, lat in zip(longitude_deg.tolist(), latitude_deg.tolist(), strict=True)
    ]
    ring[-1] = ring[0]
    return Polygon((tuple(ring),))
