"""The search question of a flight that is not heard any more, made from the books as they stand."""

from __future__ import annotations

import bisect
from collections.abc import Iterator

from decoders.reports import PositionReport
from server.flight.flight import Flight
from server.flight.landing.predict import Landing as Predicted
from server.flight.landing.question import LandingQuestion
from server.flight.physics.geodesy import LocalFrame
from server.flight.search.asked import Way, search_question, silent_stretches
from server.flight.search.evidence import Stretch
from server.flight.search.search import SearchQuestion
from server.flight.track.phase_memory import FLYING
from server.flight.view.vehicles import LAUNCH_SITE, receivers, vehicle_latest

_PLACES = 400  # of a car that count: the last ones
_LATE_PACKETS = 200  # of a tracker that are looked through for those without a position
_DIGIPEATER_PACKETS = 3  # that it passed on of this flight, before its silence tells anything


def asked_of(
    flight: Flight, question: LandingQuestion, landing: Predicted, lost_after_s: float
) -> SearchQuestion | None:
    """None while it is heard, at rest, or never flew."""
    now_s = flight.mission.now_s
    if question.phase not in FLYING or now_s - landing.as_of_s <= lost_after_s:
        return None
    ways = list(_ways(flight, question.frame, landing.as_of_s))
    trackers = []
    for name, plan in flight.trackers.items():
        sender = flight.mission.senders.get(name)
        if sender is None or plan.role == "phone" or sender.health.last_heard_s is None:
            continue
        interval_s = sender.health.interval_s
        last_s = _last_position_s(flight, name)
        stretches: tuple[Stretch, ...] = ()
        if interval_s is not None and last_s is not None:
            heard = list(_later(flight, name, last_s))
            stretches = silent_stretches(
                ways, last_s, now_s, max(interval_s, 1.0), landing.time_s, heard
            )
        trackers.append((name, interval_s, stretches))
    return search_question(
        question, landing, now_s, trackers, ways, flight.books.notes, flight.number == 0
    )


def _ways(flight: Flight, frame: LocalFrame, since_s: float) -> Iterator[Way]:
    """Whoever could hear: our cars, those of peers, the launch site, digipeaters that passed it on."""
    mission = flight.mission
    for name, (own, heard_as, fix) in sorted(vehicle_latest(mission).items()):
        sender = mission.senders.get(heard_as)
        places = [] if sender is None else sender.places()
        first = max(bisect.bisect_left(places, (since_s,)) - 1, 0)
        rows = [(t, *frame.to_xy(lat, lon)) for t, lat, lon in places[first:][-_PLACES:]]
        if not rows or rows[-1][0] < fix.time_s:
            rows.append((fix.time_s, *frame.to_xy(fix.latitude_deg, fix.longitude_deg)))
        heard, sent = _record(flight, _station_of(own, heard_as, mission.plan.station))
        if heard > 0:
            yield Way(name, [(t, float(x), float(y)) for t, x, y in rows], heard, sent)
    for place in receivers(flight):
        if place.name == LAUNCH_SITE:
            heard, sent = _record(flight, mission.plan.station)
            x_m, y_m = frame.to_xy(place.latitude_deg, place.longitude_deg)
            if heard > 0:
                yield Way(LAUNCH_SITE, [(since_s, float(x_m), float(y_m))], heard, sent)
    for name, count in sorted(_digipeaters(flight).items()):
        repeater = mission.senders.get(name)
        at = None if repeater is None else repeater.latest_fix()
        if at is not None and count >= _DIGIPEATER_PACKETS:
            x_m, y_m = frame.to_xy(at.latitude_deg, at.longitude_deg)
            yield Way(name, [(since_s, float(x_m), float(y_m))], count, _sent(flight))


def _station_of(own: bool, heard_as: str, station: str) -> str:
    """Whose receivers a car carries: our own, or the station before the slash of its source."""
    before, slash, _ = heard_as.partition("/")
    return station if own or not slash else before


def _record(flight: Flight, station: str) -> tuple[int, int]:
    """Packets of the flight's trackers that a station's receivers heard, of those sent."""
    heard = 0
    for name in flight.trackers:
        sender = flight.mission.senders.get(name)
        if sender is not None:
            counts = sender.health.heard_by
            heard += sum(n for source, n in counts.items() if _belongs(source, station))
    sent = _sent(flight)
    return min(heard, sent), sent


def _belongs(source: str, station: str) -> bool:
    before, slash, _ = source.partition("/")
    return before == station if slash else not station


def _sent(flight: Flight) -> int:
    senders = (flight.mission.senders.get(name) for name in flight.trackers)
    return sum(s.health.heard + s.health.missed for s in senders if s is not None)


def _digipeaters(flight: Flight) -> dict[str, int]:
    """How many of the last packets each passed on as the first, on its way to us."""
    found: dict[str, int] = {}
    for name in flight.trackers:
        sender = flight.mission.senders.get(name)
        for packet in () if sender is None else sender.packets[-_LATE_PACKETS:]:
            for repeater in {h.repeated_by[0] for h in packet.hearings if h.repeated_by}:
                found[repeater] = found.get(repeater, 0) + 1
    return found


def _last_position_s(flight: Flight, name: str) -> float | None:
    """When its last packet with a position was heard."""
    sender = flight.mission.senders.get(name)
    for packet in () if sender is None else reversed(sender.packets[-_LATE_PACKETS:]):
        if any(isinstance(report, PositionReport) and report.valid for report in packet.reports):
            return packet.first_heard_s
    return None


def _later(flight: Flight, name: str, since_s: float) -> Iterator[tuple[float, str]]:
    """Packets without a position that were heard since: when, and by which of the ways."""
    mission = flight.mission
    cars = {
        _station_of(own, heard_as, mission.plan.station): car
        for car, (own, heard_as, _) in vehicle_latest(mission).items()
    }
    sender = mission.senders.get(name)
    for packet in () if sender is None else sender.packets[-_LATE_PACKETS:]:
        if packet.first_heard_s <= since_s:
            continue
        for hearing in packet.hearings:
            if hearing.fed_by:
                continue
            if hearing.repeated_by:
                yield hearing.heard_at_ms / 1_000.0, hearing.repeated_by[0]
                continue
            station = hearing.source.partition("/")[0] if "/" in hearing.source else ""
            yield hearing.heard_at_ms / 1_000.0, cars.get(station, LAUNCH_SITE)
