"""The question that a silent flight raises, from the mission as it stands."""

from __future__ import annotations

import math
from collections.abc import Sequence

from decoders.reports import BearingReport, FoundReport, SearchedReport
from server.flight.landing.predict import Landing
from server.flight.landing.question import LandingQuestion
from server.flight.search.evidence import Stretch
from server.flight.search.notes import Notes
from server.flight.search.particles import evenly
from server.flight.search.search import SearchQuestion

HOLD_M = 300.0  # a receiver that moves by less has one view; our choice
FALLING_S = 60.0  # while it falls each view is of so long at most
MOST_STRETCHES = 120
_RATE_BEFORE, _RATE_WEIGHT = (
    0.6,
    8.0,
)  # of packets in plain sight, before a receiver's record says more


class Way:
    """Where one receiver was: times (UTC seconds, rising) and places in the frame; and its record."""

    def __init__(
        self,
        name: str,
        places: Sequence[tuple[float, float, float]],
        heard: int,
        sent: int,
        from_s: float = -math.inf,
    ) -> None:
        """`places`: time, x, y. `heard` of `sent` packets while the box was in plain sight."""
        self.name, self.places, self.from_s = name, list(places), from_s
        self.rate = min((heard + _RATE_BEFORE * _RATE_WEIGHT) / (sent + _RATE_WEIGHT), 0.98)

    def at(self, time_s: float) -> tuple[float, float] | None:
        """Its last place by then."""
        found = None
        for at_s, x_m, y_m in self.places:
            if at_s > time_s and found is not None:
                break
            found = (x_m, y_m)
        return found


def silent_stretches(
    ways: Sequence[Way],
    last_heard_s: float,
    until_s: float,
    interval_s: float,
    lands_s: float,
    heard: Sequence[tuple[float, str]] = (),
) -> tuple[Stretch, ...]:
    """What nobody heard of one tracker since its last position, by receiver and place.

    `heard`: packets without a position that came after it: time, and the name of the receiver.
    """
    events = sorted((time_s, name) for time_s, name in heard if last_heard_s < time_s <= until_s)
    found: list[Stretch] = []
    by_name = {way.name: way for way in ways}
    begin_s = last_heard_s
    for end_s, who in [*events, (until_s, "")]:
        for way in ways:
            found += _unheard(way, begin_s, end_s, interval_s, lands_s)
        hearer = by_name.get(who)
        place = None if hearer is None else hearer.at(end_s)
        if hearer is not None and place is not None:
            found.append(Stretch(end_s, 0.0, *place, 1.0, hearer.rate, heard=True))
        begin_s = end_s
    found.sort(key=lambda one: (one.time_s, one.x_m, one.y_m, one.heard))
    return _fewer(found)


def _unheard(
    way: Way, begin_s: float, end_s: float, interval_s: float, lands_s: float
) -> list[Stretch]:
    """From just after one packet to the moment at which the next was due."""
    found: list[Stretch] = []
    at_s = begin_s + interval_s
    here: tuple[float, float] | None = None
    since_s = at_s
    count = 0.0
    while at_s <= end_s:
        place = way.at(at_s)
        moved = (
            here is None
            or place is None
            or math.hypot(place[0] - here[0], place[1] - here[1]) > HOLD_M
        )
        long = at_s < lands_s and at_s - since_s >= FALLING_S
        if (moved or long) and here is not None and count > 0.0:
            found.append(Stretch((since_s + at_s) / 2, at_s - since_s, *here, count, way.rate))
            count = 0.0
        if moved or long:
            here, since_s = place, at_s
        if here is not None:
            count += 1.0
        step_s = max(interval_s, (end_s - begin_s) / 2_000.0)
        count += (step_s / interval_s - 1.0) if here is not None else 0.0
        at_s += step_s
    if here is not None and count > 0.0:
        found.append(
            Stretch((since_s + end_s) / 2, max(end_s - since_s, interval_s), *here, count, way.rate)
        )
    return found


def _fewer(stretches: list[Stretch]) -> tuple[Stretch, ...]:
    """Hours of driving have many views: of those on the ground every second goes until few are left."""
    while len(stretches) > MOST_STRETCHES:
        stretches = [one for n, one in enumerate(stretches) if one.heard or n % 2 == 0]
        if all(one.heard for one in stretches):
            break
    return tuple(stretches)


def search_question(
    landing_question: LandingQuestion,
    landing: Landing,
    at_s: float,
    trackers: Sequence[tuple[str, float | None, tuple[Stretch, ...]]],
    ways: Sequence[Way],
    notes: Notes,
    first: bool,
) -> SearchQuestion | None:
    """None where there is no ensemble to weigh: before a prediction, or at rest."""
    q, members = landing_question, landing.members
    if members is None:
        return None
    name = q.plan.name
    ground_m = q.ground.altitude_m
    here = [place for way in ways if (place := way.at(at_s)) is not None]
    return SearchQuestion(
        at_s=at_s,
        frame=q.frame,
        terrain=q.terrain,
        ground_m=ground_m,
        prior=evenly(members.x_m, members.y_m, q.at_s + members.after_s),
        path=landing.path,
        lost_height_m=max(q.motion.z.position - ground_m, 0.0),
        trackers=tuple(tracker for tracker, _, _ in trackers),
        interval_s=tuple(interval_s for _, interval_s, _ in trackers),
        stretches=tuple(stretches for _, _, stretches in trackers),
        rate=max((way.rate for way in ways), default=_RATE_BEFORE),
        cars=tuple(here),
        bearings=notes.of(BearingReport, name, first=first),
        searched=notes.of(SearchedReport, name, first=first),
        found=notes.of(FoundReport, name, first=first),
        seed=q.number,
    )
