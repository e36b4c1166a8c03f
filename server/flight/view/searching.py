"""A flight that is not heard any more, taken out of the books as they stand."""

from __future__ import annotations

import bisect
from collections.abc import Iterator

from decoders.reports import BearingReport, PositionReport, SearchedReport
from server.flight.chase.vehicles import VehicleFix
from server.flight.flight import Flight
from server.flight.landing.predict import Landing as Predicted
from server.flight.landing.question import LandingQuestion
from server.flight.packets.deduplication import Packet
from server.flight.search.asked import Listener, Silent, SilentTracker
from server.flight.track.phase_memory import FLYING
from server.flight.view.vehicles import LAUNCH_SITE, receivers, vehicle_latest

Cars = dict[str, tuple[bool, str, VehicleFix]]  # as `vehicle_latest`

_LATE_PACKETS = 200  # of a tracker that are looked through for those without a position
_DIGIPEATER_PACKETS = 3  # that it passed on of this flight, before its silence tells anything


def silent_flight(
    flight: Flight, question: LandingQuestion, landing: Predicted, lost_after_s: float
) -> Silent | None:
    """None while it is heard, at rest, or never flew."""
    now_s = flight.mission.now_s
    if question.phase not in FLYING or now_s - landing.as_of_s <= lost_after_s:
        return None
    cars = vehicle_latest(flight.mission)
    trackers = []
    for name, plan in flight.trackers.items():
        sender = flight.mission.senders.get(name)
        if sender is None or plan.role == "phone" or sender.health.last_heard_s is None:
            continue
        last_s = _last_position_s(flight, name)
        heard = () if last_s is None else tuple(_later(flight, cars, name, last_s))
        trackers.append(SilentTracker(name, sender.health.interval_s, last_s, heard))
    notes, name, first = flight.books.notes, flight.plan.name, flight.number == 0
    return Silent(
        question,
        landing,
        now_s,
        tuple(trackers),
        tuple(_listeners(flight, cars, landing.as_of_s)),
        tuple((fix.latitude_deg, fix.longitude_deg) for _, (_, _, fix) in sorted(cars.items())),
        notes.of(BearingReport, name, first=first),
        notes.of(SearchedReport, name, first=first),
    )


def _listeners(flight: Flight, cars: Cars, since_s: float) -> Iterator[Listener]:
    """Whoever could hear: our cars, those of peers, the launch site, digipeaters that passed it on."""
    mission = flight.mission
    for name, (own, heard_as, fix) in sorted(cars.items()):
        station = _station_of(own, heard_as, mission.plan.station)
        heard, sent = (0, 0) if station is None else _record(flight, station)
        if heard == 0:
            continue
        sender = mission.senders.get(heard_as)
        places = [] if sender is None else sender.places()
        first = max(bisect.bisect_left(places, (since_s,)) - 1, 0)
        rows = places[first:]
        if not rows or rows[-1][0] < fix.time_s:
            rows.append((fix.time_s, fix.latitude_deg, fix.longitude_deg))
        yield Listener(name, tuple(rows), heard, sent)
    for place in receivers(flight):
        if place.name != LAUNCH_SITE:
            continue
        heard, sent = _record(flight, mission.plan.station)
        if heard > 0:
            at = since_s, place.latitude_deg, place.longitude_deg
            yield Listener(LAUNCH_SITE, (at,), heard, sent)
    sent = _sent(flight)
    for name, count in sorted(_digipeaters(flight).items()):
        repeater = mission.senders.get(name)
        fixed = None if repeater is None else repeater.latest_fix()
        if fixed is not None and count >= _DIGIPEATER_PACKETS:
            at = since_s, fixed.latitude_deg, fixed.longitude_deg
            yield Listener(name, (at,), count, sent)


def _station_of(own: bool, heard_as: str, station: str) -> str | None:
    """Whose receivers a car carries: our own, or the station before the slash of its source.

    None: of a car that is known by its beacon alone nobody can tell what it hears.
    """
    before, slash, _ = heard_as.partition("/")
    return station if own else before if slash else None


def _record(flight: Flight, station: str) -> tuple[int, int]:
    """Of the trackers' last packets: how many a station's radios heard themselves, of those sent.

    What digipeaters and gateways of the internet heard says nothing of them.
    """
    heard = 0
    for packet in _last_packets(flight):
        heard += any(h.direct and _belongs(h.source, station) for h in packet.hearings)
    return heard, max(_sent(flight), heard)


def _last_packets(flight: Flight) -> Iterator[Packet]:
    for name in flight.trackers:
        sender = flight.mission.senders.get(name)
        yield from () if sender is None else sender.packets[-_LATE_PACKETS:]


def _belongs(source: str, station: str) -> bool:
    before, slash, _ = source.partition("/")
    return before == station if slash else not station


def _sent(flight: Flight) -> int:
    """With `_last_packets`, those that nobody heard."""
    sent = 0.0
    for name in flight.trackers:
        sender = flight.mission.senders.get(name)
        if sender is not None:
            sent += len(sender.packets[-_LATE_PACKETS:]) / max(sender.health.share_heard, 0.05)
    return round(sent)


def _digipeaters(flight: Flight) -> dict[str, int]:
    """How many of the last packets each passed on as the first, on its way to us."""
    found: dict[str, int] = {}
    for packet in _last_packets(flight):
        for repeater in {h.repeated_by[0] for h in packet.hearings if h.repeated_by}:
            found[repeater] = found.get(repeater, 0) + 1
    return found


def _last_position_s(flight: Flight, name: str) -> float | None:
    """When its last packet with a position was heard; 0, 0 is that of a receiver without a fix."""
    sender = flight.mission.senders.get(name)
    for packet in () if sender is None else reversed(sender.packets[-_LATE_PACKETS:]):
        if any(
            isinstance(report, PositionReport)
            and report.valid
            and (report.latitude_deg, report.longitude_deg) != (0.0, 0.0)
            for report in packet.reports
        ):
            return packet.first_heard_s
    return None


def _later(
    flight: Flight, cars: Cars, name: str, since_s: float
) -> Iterator[tuple[float, tuple[str, ...]]]:
    """Packets without a position that were heard since: when first, and by which of the ways."""
    mission = flight.mission
    of_station = {
        _station_of(own, heard_as, mission.plan.station): car
        for car, (own, heard_as, _) in cars.items()
    }
    sender = mission.senders.get(name)
    for packet in () if sender is None else sender.packets[-_LATE_PACKETS:]:
        if packet.first_heard_s <= since_s:
            continue
        hearers = []
        for hearing in packet.hearings:
            if hearing.fed_by:
                continue
            if hearing.repeated_by:
                hearers.append(hearing.repeated_by[0])
                continue
            station = (
                hearing.source.partition("/")[0] if "/" in hearing.source else mission.plan.station
            )
            hearers.append(of_station.get(station, LAUNCH_SITE))
        if hearers:
            yield packet.first_heard_s, tuple(sorted(set(hearers)))
