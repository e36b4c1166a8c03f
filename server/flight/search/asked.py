"""The question that a silent flight raises, from the mission as it stands."""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from decoders.reports import BearingReport, SearchedReport
from server.flight.landing.predict import Landing
from server.flight.landing.question import LandingQuestion
from server.flight.physics.geodesy import LocalFrame
from server.flight.search.evidence import Stretch
from server.flight.search.particles import evenly
from server.flight.search.search import SearchQuestion

HOLD_M = 300.0  # a receiver that moves by less has one view; our choice
_STEP_M = (
    100.0  # places of a car that lie closer together are one: at rest it sends one every second
)
FALLING_S = 60.0  # while it falls each view is of so long at most
MOST_STRETCHES = 160
# that a bearing was not to this tracker, though it is the only one, or is one of several; our choice
_OTHER, _OTHER_OF_SEVERAL = 0.12, 0.5
# of packets in plain sight, before a receiver's record says more
_RATE_BEFORE, _RATE_WEIGHT = 0.6, 8.0


class Listener(NamedTuple):
    """A receiver as the books have it: places (UTC seconds, rising; degrees), and its record."""

    name: str
    places: tuple[tuple[float, float, float], ...]  # time, latitude, longitude
    heard: int  # of `sent` packets while the box was in plain sight
    sent: int


class SilentTracker(NamedTuple):
    """`last_s`: of its last position; `heard`: later packets without one, when and by which listeners."""

    name: str
    interval_s: float | None
    last_s: float | None
    heard: tuple[tuple[float, tuple[str, ...]], ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Silent:
    """A flight that is not heard any more, as the books stand; immutable, to be asked off the loop."""

    landing_question: LandingQuestion
    landing: Landing
    at_s: float
    trackers: tuple[SilentTracker, ...]
    listeners: tuple[Listener, ...]
    cars: tuple[tuple[float, float], ...]  # that may be sent somewhere: latitude, longitude
    bearings: tuple[BearingReport, ...]
    searched: tuple[SearchedReport, ...]


class Way:
    """Where one receiver was, in the frame, and what share of the packets in plain sight it hears."""

    def __init__(
        self, name: str, places: Sequence[tuple[float, float, float]], heard: int, sent: int
    ) -> None:
        """`places`: time, x, y, by time; at least one."""
        self.name = name
        self._times = [time_s for time_s, _, _ in places]
        self._places = [(x_m, y_m) for _, x_m, y_m in places]
        self.rate = min((heard + _RATE_BEFORE * _RATE_WEIGHT) / (sent + _RATE_WEIGHT), 0.98)

    def at(self, time_s: float) -> tuple[float, float]:
        """Its last place by then; before the first, the first."""
        return self._places[max(bisect.bisect_right(self._times, time_s) - 1, 0)]


def silent_stretches(
    ways: Sequence[Way],
    last_heard_s: float,
    until_s: float,
    interval_s: float,
    lands_s: float,
    heard: Sequence[tuple[float, tuple[str, ...]]] = (),
) -> tuple[Stretch, ...]:
    """What nobody heard of one tracker since its last position, by receiver and place.

    `heard`: packets without a position that came after it: time, and the names of the receivers.
    """
    events = sorted((time_s, who) for time_s, who in heard if last_heard_s < time_s <= until_s)
    found: list[Stretch] = []
    seen = {
        way.name: [way.at(time_s) for time_s, who in events if way.name in who and time_s > lands_s]
        for way in ways
    }
    begin_s = last_heard_s
    for end_s, who in [*events, (until_s, ())]:
        for way in ways:
            # the packet at the end is no miss of who heard it
            last_s = end_s - interval_s / 2.0 if way.name in who else end_s
            unheard = _unheard(way, begin_s, last_s, interval_s, lands_s)
            found += [replace(one, seen=_near(one, seen[way.name])) for one in unheard]
            if way.name in who:
                found.append(Stretch(end_s, 0.0, *way.at(end_s), 1.0, way.rate, heard=True))
        begin_s = end_s
    return _fewer(sorted(found, key=_order))


def _near(one: Stretch, places: Sequence[tuple[float, float]]) -> bool:
    return any(math.hypot(one.x_m - x_m, one.y_m - y_m) <= HOLD_M for x_m, y_m in places)


def _order(one: Stretch) -> tuple[float, float, float, bool]:
    return one.time_s, one.x_m, one.y_m, one.heard


def _unheard(
    way: Way, begin_s: float, end_s: float, interval_s: float, lands_s: float
) -> list[Stretch]:
    """From just after one packet to the moment at which the next was due."""
    found: list[Stretch] = []
    at_s = since_s = begin_s + interval_s
    here = way.at(at_s)
    step_s = max(interval_s, (end_s - begin_s) / 2_000.0)
    count = 0.0
    while at_s <= end_s:
        place = way.at(at_s)
        moved = math.hypot(place[0] - here[0], place[1] - here[1]) > HOLD_M
        if moved or (at_s < lands_s and at_s - since_s >= FALLING_S):
            if count > 0.0:
                found.append(Stretch((since_s + at_s) / 2, at_s - since_s, *here, count, way.rate))
            count, here, since_s = 0.0, place, at_s
        count += step_s / interval_s
        at_s += step_s
    if count > 0.0:
        found.append(
            Stretch((since_s + end_s) / 2, max(end_s - since_s, interval_s), *here, count, way.rate)
        )
    return found


def _fewer(stretches: list[Stretch]) -> tuple[Stretch, ...]:
    """Hours of driving have many views: those close to each other are put together until few are left."""
    near_m = HOLD_M
    while len(stretches) > MOST_STRETCHES and near_m < 1e6:
        near_m *= 1.5
        merged: list[Stretch] = []
        for one in stretches:
            last = merged[-1] if merged else None
            if last is not None and _alike(last, one, near_m):
                merged[-1] = _together(last, one)
            else:
                merged.append(one)
        stretches = merged
    return tuple(stretches)


def _alike(last: Stretch, one: Stretch, near_m: float) -> bool:
    """Of one receiver, as far as its record tells, and from nearly one place; none that heard."""
    if last.heard or one.heard or last.rate != one.rate or last.seen != one.seen:
        return False
    return math.hypot(one.x_m - last.x_m, one.y_m - last.y_m) <= near_m


def _together(a: Stretch, b: Stretch) -> Stretch:
    packets = a.packets + b.packets

    def mean(first: float, second: float) -> float:
        return (a.packets * first + b.packets * second) / packets

    return Stretch(
        mean(a.time_s, b.time_s),
        a.lasted_s + b.lasted_s,
        mean(a.x_m, b.x_m),
        mean(a.y_m, b.y_m),
        packets,
        a.rate,
        seen=a.seen,
    )


def search_question(silent: Silent) -> SearchQuestion | None:
    """None where there is no ensemble to weigh: before a prediction, or at rest."""
    q, landing = silent.landing_question, silent.landing
    members = landing.members
    if members is None:
        return None
    ground_m = q.ground.altitude_m
    ways = [_way(one, q.frame) for one in silent.listeners]
    return SearchQuestion(
        at_s=silent.at_s,
        frame=q.frame,
        terrain=q.terrain,
        ground_m=ground_m,
        prior=evenly(members.x_m, members.y_m, q.at_s + members.after_s),
        path=landing.path,
        lost_height_m=max(q.motion.z.position - ground_m, 0.0),
        trackers=tuple(one.name for one in silent.trackers),
        interval_s=tuple(one.interval_s for one in silent.trackers),
        stretches=tuple(_stretches_of(one, ways, silent, q.frame) for one in silent.trackers),
        rate=max((way.rate for way in ways), default=_RATE_BEFORE),
        cars=tuple(_place(q.frame, *at) for at in silent.cars),
        bearings=silent.bearings,
        searched=silent.searched,
        seed=q.number,
    )


def _way(one: Listener, frame: LocalFrame) -> Way:
    times, latitude_deg, longitude_deg = np.array(one.places).T
    x_m, y_m = frame.to_xy(latitude_deg, longitude_deg)
    places = list(zip(times.tolist(), x_m.tolist(), y_m.tolist(), strict=True))
    kept = places[:1]
    for time_s, here_x, here_y in places[1:]:
        if math.hypot(here_x - kept[-1][1], here_y - kept[-1][2]) >= _STEP_M:
            kept.append((time_s, here_x, here_y))
    return Way(one.name, kept, one.heard, one.sent)


def _stretches_of(
    one: SilentTracker, ways: Sequence[Way], silent: Silent, frame: LocalFrame
) -> tuple[Stretch, ...]:
    """None of a tracker whose interval or last position is not known.

    Who takes a bearing hears it: with one tracker it lives then, and can be heard from there.
    """
    if one.interval_s is None or one.last_s is None:
        return ()
    doubt = _OTHER if len(silent.trackers) == 1 else _OTHER_OF_SEVERAL
    rate = max((way.rate for way in ways), default=_RATE_BEFORE)
    borne = [
        Stretch(note.time_s, 0.0, *at, 1.0, rate, heard=True, doubt=doubt)
        for note in silent.bearings
        for at in [_place(frame, note.latitude_deg, note.longitude_deg)]
        if note.time_s > one.last_s
    ]
    interval_s = max(one.interval_s, 1.0)
    silences = silent_stretches(
        ways, one.last_s, silent.at_s, interval_s, silent.landing.time_s, one.heard
    )
    return tuple(sorted((*silences, *borne), key=_order))


def _place(frame: LocalFrame, latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
    x_m, y_m = frame.to_xy(latitude_deg, longitude_deg)
    return float(x_m), float(y_m)
