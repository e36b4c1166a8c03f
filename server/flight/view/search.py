"""The search as it is shown: the state of contact, the crew's notes, and where it lies."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from decoders.reports import BearingReport, ClaimReport, FoundReport, SearchedReport
from server.flight.flight import Flight
from server.flight.landing.predict import Landing as Predicted
from server.flight.landing.question import LandingQuestion
from server.flight.physics.geodesy import LocalFrame
from server.flight.physics.sun import sunset_s
from server.flight.search.area import Region
from server.flight.search.asked import Silent, search_question
from server.flight.search.search import SearchFound, SearchQuestion, search
from server.flight.search_state import (
    BearingNoted,
    ClaimNoted,
    ContactState,
    ExpectedNow,
    FoundNoted,
    ListenHere,
    Search,
    SearchedNoted,
    SearchResult,
    TrackerEnded,
    WalkHere,
)
from server.flight.shapes import Corner, MultiPolygon
from server.flight.state import Landing
from server.flight.times import maybe_moment, moment
from server.flight.track.phase_memory import FLYING

_EXPECTED_M = (
    400.0  # lost no higher above where its horizon would have been: as expected; our choice
)


class Searched(NamedTuple):
    """What a search came to: as it is shown, and of each bearing's id the chance that it is a reflection."""

    result: SearchResult
    reflected: dict[str, float]


def searched(silent: Silent) -> Searched | None:
    """Some tenths of a second off the loop; None where there is no ensemble to weigh."""
    question = search_question(silent)
    if question is None:
        return None
    found = search(question)
    ids = (bearing.id for bearing in question.bearings)
    return Searched(_result(question, found), dict(zip(ids, found.reflections, strict=True)))


def shown_search(
    flight: Flight,
    landing: Landing | None,
    question: LandingQuestion | None,
    predicted: Predicted | None,
    answer: Searched | None,
    lost_after_s: float,
) -> Search:
    """`landing` with its contacts, `question` and `predicted` behind it, and the search's last answer."""
    notes, name, first = flight.books.notes, flight.plan.name, flight.number == 0
    found = notes.of(FoundReport, name, first=first)
    bearings = notes.of(BearingReport, name, first=first)
    lost = _is_lost(flight, question, predicted, lost_after_s)
    reflected = {} if answer is None else answer.reflected
    return Search(
        contact="found" if found else _contact(flight, landing, lost),
        since=maybe_moment(_last_heard_s(flight)),
        expected_now=_expected(flight, question, predicted) if lost and not found else None,
        result=answer.result if answer is not None and lost else None,
        bearings=tuple(
            BearingNoted(
                b.id,
                b.name,
                moment(b.time_s),
                b.latitude_deg,
                b.longitude_deg,
                b.bearing_deg,
                b.sureness,
                reflected.get(b.id),
            )
            for b in bearings
        ),
        searched=tuple(
            SearchedNoted(s.id, s.name, moment(s.time_s), s.path, s.closed, s.width_m, s.ground)
            for s in notes.of(SearchedReport, name, first=first)
        ),
        found=_found(found),
        claims=tuple(
            ClaimNoted(c.id, c.name, moment(c.time_s), c.can, c.note)
            for c in notes.of(ClaimReport, name, first=first)
        ),
    )


def _found(found: Sequence[FoundReport]) -> FoundNoted | None:
    """The last word of the crew."""
    if not found:
        return None
    f = found[-1]
    return FoundNoted(
        f.id, f.name, moment(f.time_s), f.latitude_deg, f.longitude_deg, f.note, f.photo
    )


def _last_heard_s(flight: Flight) -> float | None:
    senders = (flight.mission.senders.get(name) for name in flight.trackers)
    times = [s.health.last_heard_s for s in senders if s is not None]
    return max((time_s for time_s in times if time_s is not None), default=None)


def _is_lost(
    flight: Flight,
    question: LandingQuestion | None,
    predicted: Predicted | None,
    lost_after_s: float,
) -> bool:
    if question is None or predicted is None or question.phase not in FLYING:
        return False
    return flight.mission.now_s - predicted.as_of_s > lost_after_s


def _contact(flight: Flight, landing: Landing | None, lost: bool) -> ContactState:
    last_s = _last_heard_s(flight)
    if last_s is None:
        return "never heard"
    if lost and landing is not None:
        own = landing.contacts[0] if landing.contacts else None
        low_m = None if own is None or own.lost is None else own.lost.altitude_m
        expected = low_m is not None and landing.as_of_altitude_m <= low_m + _EXPECTED_M
        return "lost as expected" if expected else "lost"
    senders = (flight.mission.senders.get(name) for name in flight.trackers)
    states = {s.health.state(flight.mission.now_s) for s in senders if s is not None}
    return "heard" if "reporting" in states else "late"


def _expected(
    flight: Flight, question: LandingQuestion | None, predicted: Predicted | None
) -> ExpectedNow | None:
    """Along the mean path, while it should still be in the air."""
    now_s = flight.mission.now_s
    if question is None or predicted is None or len(predicted.path) < 2:
        return None
    path = predicted.path
    if now_s >= path[-1, 0]:
        return None
    x_m, y_m, z_m = (float(np.interp(now_s, path[:, 0], path[:, i])) for i in (1, 2, 3))
    lat, lon = (float(v) for v in question.frame.to_latlon(x_m, y_m))
    done = (now_s - path[0, 0]) / max(path[-1, 0] - path[0, 0], 1.0)
    x, y, _ = question.motion
    start_m = math.sqrt((x.var_position + y.var_position) / 2.0)
    radius_m = predicted.nine_tenths.radius_m / math.sqrt(-2.0 * math.log(0.1))  # Rayleigh
    sigma_m = start_m + (radius_m - start_m) * done if radius_m > start_m else start_m
    return ExpectedNow(
        moment(now_s), round(lat, 6), round(lon, 6), round(z_m, -1), round(sigma_m, -1)
    )


def _result(question: SearchQuestion, found: SearchFound) -> SearchResult:
    frame = question.frame

    def place(x_m: float, y_m: float) -> tuple[float, float]:
        lat, lon = frame.to_latlon(x_m, y_m)
        return round(float(lat), 6), round(float(lon), 6)

    best = place(*found.best)
    hear, walk = found.drive, found.walk
    return SearchResult(
        as_of=moment(question.at_s),
        p50=_shape(frame, found.half),
        p90=_shape(frame, found.nine_tenths),
        area_90_m2=round(found.nine_tenths.area_m2, -2),
        best_latitude_deg=best[0],
        best_longitude_deg=best[1],
        covered=round(found.covered, 4),
        effective_particles=round(found.particles.effective, 1),
        ended=tuple(
            TrackerEnded(name, round(chance, 3))
            for name, chance in zip(question.trackers, found.dead, strict=True)
        ),
        listen=None
        if hear is None
        else ListenHere(
            *place(hear.x_m, hear.y_m),
            round(hear.ground_m),
            round(hear.chance, 3),
            round(hear.takes_s),
            hear.stop_s,
            tuple(place(*one) for one in hear.then),
            round(hear.chance_in_an_hour, 3),
        ),
        walk=WalkHere(
            *place(walk.x_m, walk.y_m),
            round(walk.width_m),
            round(walk.length_m),
            round(walk.chance, 4),
        ),
        walk_first=found.walk_first,
        dark=maybe_moment(sunset_s(*best, question.at_s)),
    )


def _shape(frame: LocalFrame, region: Region) -> MultiPolygon:
    """Each outline a polygon of its own; holes are drawn as outlines too."""
    pieces: list[tuple[tuple[Corner, ...], ...]] = []
    for ring in region.rings:
        lat, lon = frame.to_latlon(ring[:, 0], ring[:, 1])
        corners = [
            (round(o, 5), round(a, 5)) for a, o in zip(lat.tolist(), lon.tolist(), strict=True)
        ]
        corners[-1] = corners[0]
        pieces.append((tuple(corners),))
    return MultiPolygon(tuple(pieces))
