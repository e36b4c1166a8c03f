"""The alarms of one flight as they are shown: what the rules look at, and who has seen what."""

from __future__ import annotations

import bisect
import itertools
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

import numpy as np

from server.flight import alarms
from server.flight.flight import Flight
from server.flight.inputs import Command, TrackerPlan, alarm_and_person
from server.flight.landing.fall_signs import FallSigns
from server.flight.landing.question import ground_below_m
from server.flight.mission_state import Alarm
from server.flight.packets.deduplication import Packet
from server.flight.packets.senders import Sender
from server.flight.state import FlightState
from server.flight.times import maybe_moment, moment
from server.flight.tracker_state import RejectionKind
from server.flight.two_transmitters import two_transmitters


def shown_alarms(
    flight: Flight,
    shown: FlightState,
    site_m: float | None,
    signs: FallSigns,
    lost_from_s: float | None,
) -> tuple[Alarm, ...]:
    acknowledged = acknowledgements(flight.mission.commands)
    limit_m, balloon = flight.plan.alarms.low_height_m, flight.plan.balloon
    evidence = alarms.Evidence(
        shown=shown,
        events=flight.events(),
        withdrawn=flight.track.checkpoint().phase.withdrawn,
        site_m=site_m,
        fall=signs,
        low=_low_point(flight, limit_m),
        low_limit_m=limit_m,
        beacons=_beacons(flight),
        frozen=_frozen(flight),
        doubled=_doubled(flight),
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


def _beacons(flight: Flight) -> Sequence[alarms.Beacon]:
    """Of the trackers that are to be heard in the air."""
    now_s = flight.mission.now_s
    return [
        alarms.Beacon(name, plan.name, sender.health.interval_s, sender.health.silences(now_s))
        for name, (plan, sender) in _in_air(flight).items()
    ]


def _in_air(flight: Flight) -> dict[str, tuple[TrackerPlan, Sender]]:
    """The trackers that are to be heard in the air and were heard, by name."""
    senders = flight.mission.senders
    return {
        name: (plan, senders[name])
        for name, plan in flight.trackers.items()
        if name in senders and plan.role != "phone"
    }


_FROZEN = (RejectionKind.FROZEN, RejectionKind.STUCK)
_FROZEN_FIXES, _FROZEN_S = 4, 60.0  # so many in a row, over so long, of all trackers; our choice


def _frozen(flight: Flight) -> list[alarms.Frozen]:
    """Stretches in the air in which every fix was left out as the same as before."""
    shown = flight.track.shown
    used, time_s = np.flatnonzero(shown.flags("used")), shown.column("time_s")
    launch = next((e for e in flight.events() if e.kind == "launch"), None)
    landing = next((e for e in reversed(flight.events()) if e.kind == "landing"), None)
    if launch is None or not used.size:
        return []

    def in_air(at_s: float) -> bool:
        return at_s >= launch.time_s and (landing is None or at_s <= landing.time_s)

    found = [one for one in _repeated(flight) if in_air(one.since_s)]
    ends = np.append(used[1:], len(time_s))
    for last, after in zip(
        used[ends - used > _FROZEN_FIXES], ends[ends - used > _FROZEN_FIXES], strict=True
    ):
        reasons = [verdict.reason for verdict in shown.verdicts[last + 1 : after]]
        if not all(reason is not None and reason.kind in _FROZEN for reason in reasons):
            continue
        since_s = float(time_s[last])
        if not in_air(since_s):
            continue
        told = np.flatnonzero(time_s[last + _FROZEN_FIXES : after] >= since_s + _FROZEN_S)
        if told.size:
            found.append(
                alarms.Frozen(
                    since_s,
                    float(time_s[last + _FROZEN_FIXES + int(told[0])]),
                    float(time_s[after]) if after < len(time_s) else None,
                    float(shown.column("stated_z_m")[last]),
                )
            )
    return found


_SILENT_S = 2 * _FROZEN_S  # without any fix


def _repeated(flight: Flight) -> list[alarms.Frozen]:
    """Times without a fix in which trackers went on to send the last one, its time included."""
    shown, now_s, heard = flight.track.shown, flight.mission.now_s, _in_air(flight)
    time_s = shown.column("time_s")
    ends = np.append(time_s[1:], now_s)
    found = []
    for i in np.flatnonzero(ends - time_s > _SILENT_S).tolist():
        since_s, until_s = float(time_s[i]), float(ends[i])
        again_s = sorted(
            packet.first_heard_s
            for _, sender in heard.values()
            for packet in _heard_between(sender.packets, since_s, until_s)
            if packet.newest_s is not None and packet.newest_s <= since_s
        )
        told_s = [at_s for at_s in again_s[_FROZEN_FIXES - 1 :] if at_s >= since_s + _FROZEN_S]
        if told_s:
            over_s = until_s if i + 1 < len(time_s) else None
            altitude_m = float(shown.column("stated_z_m")[i])
            found.append(alarms.Frozen(since_s, told_s[0], over_s, altitude_m))
    return found


def _heard_between(packets: list[Packet], from_s: float, until_s: float) -> Iterator[Packet]:
    first = bisect.bisect_right(packets, from_s, key=lambda packet: packet.first_heard_s)
    for packet in itertools.islice(packets, first, None):
        if packet.first_heard_s >= until_s:
            return
        yield packet


def _doubled(flight: Flight) -> list[alarms.Doubled]:
    """Trackers whose callsign two transmitters use."""
    shown, heard, found = flight.track.shown, _in_air(flight), []
    trackers = shown.tracker()
    columns = [shown.column(name) for name in ("time_s", "x_m", "y_m", "altitude_m")]
    for number, name in enumerate(shown.names):
        if name not in heard:
            continue
        plan, _ = heard[name]
        own = np.flatnonzero(trackers == number)
        time_s, x_m, y_m, z_m = (column[own] for column in columns)
        for told in two_transmitters(time_s, x_m, y_m, z_m, flight.mission.now_s):
            fixes = [shown.records[own[i]].fix for i in told.places]
            one, other = ((f.latitude_deg, f.longitude_deg, f.altitude_m) for f in fixes)
            found.append(alarms.Doubled(name, plan.name, told, (one, other)))
    return found


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
