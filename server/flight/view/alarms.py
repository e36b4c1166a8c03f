"""The alarms of one flight as they are shown: what the rules look at, and who has seen what."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from server.flight import alarms
from server.flight.flight import Flight
from server.flight.inputs import Command, TrackerPlan, alarm_and_person
from server.flight.landing.fall_signs import FallSigns
from server.flight.landing.question import ground_below_m
from server.flight.mission_state import Alarm
from server.flight.packets.senders import Sender
from server.flight.state import FlightState
from server.flight.times import maybe_moment, moment
from server.flight.view.frozen import frozen


def shown_alarms(
    flight: Flight,
    shown: FlightState,
    site_m: float | None,
    signs: FallSigns,
    lost_from_s: float | None,
) -> tuple[Alarm, ...]:
    acknowledged = acknowledgements(flight.mission.commands)
    limit_m, balloon = flight.plan.alarms.low_height_m, flight.plan.balloon
    heard = _in_air(flight)
    evidence = alarms.Evidence(
        shown=shown,
        events=flight.events(),
        withdrawn=flight.track.checkpoint().phase.withdrawn,
        site_m=site_m,
        fall=signs,
        low=_low_point(flight, limit_m),
        low_limit_m=limit_m,
        beacons=_beacons(heard, flight.mission.now_s),
        frozen=frozen(flight, [sender for _, sender in heard.values()]),
        doubled=_doubled(heard, flight),
        lost_from_s=lost_from_s,
        least_burst_m=balloon.burst_altitude_m - 3.0 * balloon.burst_altitude_sigma_m,
    )
    raised = alarms.alarms(evidence)
    if len(flight.mission.plan.flights) > 1:  # an acknowledged one is of one flight
        raised = [one._replace(id=f"{flight.plan.name}/{one.id}") for one in raised]
    return tuple(
        Alarm(
            one.id,
            one.kind,
            one.severity,
            flight.plan.name,
            moment(one.from_s),
            maybe_moment(one.until_s),
            one.id in acknowledged,
            *acknowledged.get(one.id, Seen("", "")),
            one.facts,
        )
        for one in raised
    )


class Seen(NamedTuple):
    station: str  # on whose screen
    person: str  # as their device says; "" nobody


def acknowledgements(commands: Iterable[Command]) -> dict[str, Seen]:
    """Alarms that were seen, by id, and by whom; of commands in order, the last holds.

    Who says a name after others have acknowledged adds it; the first name holds.
    """
    seen: dict[str, Seen] = {}
    for one in commands:
        alarm, person = alarm_and_person(one.name)
        if one.kind == "acknowledge":
            before = seen.get(alarm)
            if before is None or (not before.person and person):
                seen[alarm] = Seen(one.station, person)
        elif one.kind == "recall":
            seen.pop(alarm, None)
    return seen


_Heard = Mapping[str, tuple[TrackerPlan, Sender]]


def _beacons(heard: _Heard, now_s: float) -> Sequence[alarms.Beacon]:
    """Of the trackers that are to be heard in the air."""
    return [
        alarms.Beacon(name, plan.name, sender.health.interval_s, sender.health.silences(now_s))
        for name, (plan, sender) in heard.items()
    ]


def _in_air(flight: Flight) -> _Heard:
    """The trackers that are to be heard in the air and were heard, by name."""
    senders = flight.mission.senders
    return {
        name: (plan, senders[name])
        for name, plan in flight.trackers.items()
        if name in senders and plan.role != "phone"
    }


def _doubled(heard: _Heard, flight: Flight) -> list[alarms.Doubled]:
    """Trackers whose callsign two transmitters use."""
    now_s = flight.mission.now_s
    return [
        alarms.Doubled(
            name,
            heard[name][0].name,
            told,
            told.over_s if now_s > told.over_s else None,
            tuple((f.latitude_deg, f.longitude_deg, f.altitude_m) for f in fixes),
        )
        for name, found in sorted(flight.track.doubled.items())
        if name in heard
        for told, fixes in found
    ]


def _low_point(flight: Flight, limit_m: float) -> alarms.LowPoint | None:
    """Above the ground as it was known while it fell: where it comes to lie changes no alarm."""
    shown = flight.track.shown
    falling = np.flatnonzero(shown.flags("falls"))
    if not falling.size:
        return None
    last = int(falling[-1])
    ground_m = ground_below_m(
        shown.records[last].fix,
        shown.value("lowest_m", last),
        flight.plan,
        flight.mission.terrain,
    )
    if ground_m is None:
        return None
    fell, accepted = shown.flags("falls_or_fell"), shown.flags("accepted")
    height_m = shown.column("stated_z_m") - ground_m
    ends = ~fell | (accepted & (height_m >= limit_m))
    first = int(np.flatnonzero(ends)[-1]) + 1 if ends.any() else 0
    low = np.flatnonzero(shown.flags("falls")[first:] & accepted[first:])
    if not low.size:
        return None
    i = first + int(low[0])
    return alarms.LowPoint(shown.records[i].fix.time_s, float(height_m[i]))
