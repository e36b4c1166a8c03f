"""From hearings to transmissions to fixes: copies are one fix, late ones go where they belong.

The same packet heard again is a copy when it comes within seconds, or later by a roundabout way (a
digipeater, the internet). Heard again directly, after that, it was sent again. Two statements of one
receiver for one second (GGA and RMC, radio and internet, a batch sent twice) are one fix with the
fields of both. All of it depends on the set of receptions alone, not on the order in which they came.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

from decoders.reports import PositionReport, Report, SensorScale
from server.flight.physics.geodesy import distance_bearing

_COPY_WINDOW_MS = 12_000
_LATE_COPY_MS = 30 * 60_000


class Hearing(NamedTuple):
    """One reception of a transmission. Sorted, the first is when the packet was first heard."""

    heard_at_ms: int
    source: str
    repeated_by: tuple[str, ...]
    fed_by: str  # "" when it did not come from the internet
    saved: bool = False  # by a phone that may send what it saved hours ago

    @property
    def direct(self) -> bool:
        return not self.repeated_by and not self.fed_by

    @property
    def heard_from(self) -> str:
        """Whose receiver it was: the internet feed's station, otherwise our own source."""
        return self.fed_by or self.source


@dataclass(slots=True)
class Packet:
    """One transmission with all who heard it."""

    sender: str
    hearings: list[Hearing]
    reports: tuple[Report, ...]  # as decoded from the first hearing
    text: str  # for people, of the first hearing
    # of many hearings, or each more would look through all before it: from whom, and whether any was direct
    _from: set[str] | None = field(default=None, compare=False)
    _direct: bool = field(default=False, compare=False)

    def hear(self, hearing: Hearing) -> tuple[bool, bool]:
        """One more hearing. Whether nobody had it from there, and whether it is the first direct one."""
        if self._from is None:
            self._from = {h.heard_from for h in self.hearings}
            self._direct = any(h.direct for h in self.hearings)
        new_receiver = hearing.heard_from not in self._from
        new_direct = hearing.direct and not self._direct
        self._from.add(hearing.heard_from)
        self._direct |= hearing.direct
        bisect.insort(self.hearings, hearing)
        return new_receiver, new_direct

    @property
    def first_heard_s(self) -> float:
        return self.hearings[0].heard_at_ms / 1000.0

    @property
    def newest_s(self) -> float | None:
        """The latest own time of its positions; None where none has one."""
        times = [
            r.time_s for r in self.reports if isinstance(r, PositionReport) and r.time_s is not None
        ]
        return max(times) if times else None

    @property
    def speaks_of_scales(self) -> bool:
        return any(isinstance(r, SensorScale) for r in self.reports)


_Heard = tuple[Hearing, tuple[Report, ...], str]  # with what it decoded to, and its text


@dataclass(slots=True)
class _Group:
    """All hearings of one sender with one content, in canonical order, with what each decoded to."""

    hearings: list[_Heard] = field(default_factory=list)
    packets: list[Packet] = field(default_factory=list)
    starts: list[int] = field(default_factory=list)  # of each packet, its first hearing's place


class Copy(NamedTuple):
    """One more hearing of a packet; the first one stays what it was."""

    packet: Packet
    hearing: Hearing  # in the packet already
    new_receiver: bool  # nobody had it from there
    new_direct: bool  # it is the first that came without digipeater and internet


class Change(NamedTuple):
    """What one hearing did to the packets of a sender: a copy changes none of them but its own."""

    removed: tuple[Packet, ...]
    added: tuple[Packet, ...]
    copy: Copy | None = None


class Deduplication:
    """Every transmission heard, by sender and content. Memory grows with the flight, as the journal."""

    def __init__(self) -> None:
        # most are heard once: a packet alone is a third of the group that a second hearing makes of it
        self.groups: dict[tuple[str, bytes], Packet | _Group] = {}

    def take(
        self, sender: str, content: bytes, hearing: Hearing, reports: tuple[Report, ...], text: str
    ) -> Change:
        """Add one hearing and say which packets it replaces (none, when all is new)."""
        group = self.groups.get((sender, content))
        if group is None:
            packet = Packet(sender, [hearing], reports, text)
            self.groups[sender, content] = packet
            return Change((), (packet,))
        if isinstance(group, Packet):
            group = _Group([(group.hearings[0], group.reports, group.text)], [group], [0])
            self.groups[sender, content] = group
        return _take(sender, group, (hearing, reports, text))


def _take(sender: str, group: _Group, heard: _Heard) -> Change:
    """One more hearing of the same content, at a cost that does not grow with how many there were.

    A receiver that repeats itself for an hour, or a box at rest that beacons without time, sends the same
    bytes thousands of times.
    """
    hearing = heard[0]
    at = bisect.bisect_right(group.hearings, hearing, key=lambda entry: entry[0])
    group.hearings.insert(at, heard)
    which = bisect.bisect_right(group.starts, at - 1) - 1 if at > 0 else 0
    packet = group.packets[which]
    if at > 0 and _is_copy(packet.hearings[0], hearing):
        copy = Copy(packet, hearing, *packet.hear(hearing))
        _shift(group.starts, which + 1)
        return Change((), (), copy)
    if at == len(group.hearings) - 1:  # sent once more, later than all
        group.packets.append(packet := Packet(sender, [hearing], heard[1], heard[2]))
        group.starts.append(at)
        return Change((), (packet,))
    return _divide(sender, group, which, which + 1 if at > 0 else which)


def _divide(sender: str, group: _Group, which: int, behind: int) -> Change:
    """Packets anew from that one on, until one begins where an old one began: what follows is as it was.

    `behind`: the first packet all of whose hearings lie behind the new one.
    """
    old = [start + 1 for start in group.starts]  # where their first hearings lie now
    made: list[Packet] = []
    starts: list[int] = []
    place = group.starts[which]
    until = len(group.packets)
    while place < len(group.hearings):
        next_old = bisect.bisect_left(old, place, behind)
        if starts and next_old < len(old) and old[next_old] == place:
            until = next_old
            break
        hearing, reports, text = group.hearings[place]
        packet = Packet(sender, [hearing], reports, text)
        made.append(packet)
        starts.append(place)
        place += 1
        while place < len(group.hearings) and _is_copy(hearing, group.hearings[place][0]):
            packet.hearings.append(group.hearings[place][0])
            place += 1
    before = group.packets[which:until]
    # one that is as it was stays the same object: a later copy is put into it
    by_first = {packet.hearings[0]: packet for packet in before}
    known = [
        same if (same := by_first.get(packet.hearings[0])) == packet else None for packet in made
    ]
    group.packets[which:until] = [a if b is None else b for a, b in zip(made, known, strict=True)]
    group.starts[which:] = [*starts, *old[until:]]
    stays = {id(packet) for packet in known if packet is not None}
    return Change(
        tuple(packet for packet in before if id(packet) not in stays),
        tuple(packet for packet, one in zip(made, known, strict=True) if one is None),
    )


def _shift(starts: list[int], first: int) -> None:
    """One hearing more lies before those packets."""
    for i in range(first, len(starts)):
        starts[i] += 1


def _is_copy(first: Hearing, hearing: Hearing) -> bool:
    """Whether it belongs to the packet that was first heard so, no later than it."""
    since_ms = hearing.heard_at_ms - first.heard_at_ms
    roundabout = bool(hearing.repeated_by or hearing.fed_by)
    return since_ms <= _COPY_WINDOW_MS or (roundabout and since_ms <= _LATE_COPY_MS)


_ONE_PLACE_M = 60.0
# a degree of latitude, and one of longitude at the equator (WGS 84): everywhere a little more, a little less
_LEAST_DEGREE_M, _MOST_DEGREE_M = 110_000.0, 111_800.0
_OF_ALTITUDE = "altitude_m", "altitude_datum", "resolution_v_m", "sigma_v_m"
_COMPLETED = "course_deg", "speed_ms", "climb_ms", "sigma_h_m", "battery_percent", "satellites"


def merge(reports: Iterable[PositionReport]) -> tuple[PositionReport, ...]:
    """Statements of one receiver for one second, joined where they mean one place.

    The finest comes first and is completed from the others; one that lies elsewhere stays apart.
    """
    given = list(reports)
    if len(given) < 2:  # as a rule
        return tuple(given)
    merged: list[PositionReport] = []
    for report in sorted(given, key=_fineness):
        for i, other in enumerate(merged):
            if _near(other, report):
                merged[i] = _completed(other, report)
                break
        else:
            merged.append(report)
    return tuple(merged)


def _fineness(report: PositionReport) -> tuple[float, bool, str]:
    return report.resolution_h_m, report.altitude_m is None, repr(report)


def _near(a: PositionReport, b: PositionReport) -> bool:
    if a.valid != b.valid:
        return False
    if (a.latitude_deg, a.longitude_deg) == (b.latitude_deg, b.longitude_deg):
        return True
    within_m = _ONE_PLACE_M + a.resolution_h_m + b.resolution_h_m
    north_deg = abs(a.latitude_deg - b.latitude_deg)
    east_deg = abs((a.longitude_deg - b.longitude_deg + 180.0) % 360.0 - 180.0)
    # to the equator, where degrees are wide
    nearest_deg = min(abs(a.latitude_deg), abs(b.latitude_deg))
    narrow = math.cos(math.radians(min(nearest_deg + 1.0, 90.0)))
    if _LEAST_DEGREE_M * max(north_deg, narrow * east_deg) > within_m:
        return False  # of a backlog, mostly
    wide = math.cos(math.radians(nearest_deg))
    if _MOST_DEGREE_M * math.hypot(north_deg, wide * east_deg) < within_m:
        return True
    away_m, _ = distance_bearing(a.latitude_deg, a.longitude_deg, b.latitude_deg, b.longitude_deg)
    return away_m <= within_m


def _completed(a: PositionReport, b: PositionReport) -> PositionReport:
    new: dict[str, Any] = {
        name: theirs
        for name in _COMPLETED
        if getattr(a, name) is None and (theirs := getattr(b, name)) is not None
    }
    if not a.comment and b.comment:
        new["comment"] = b.comment
    if a.altitude_m is None and b.altitude_m is not None:
        new |= {name: getattr(b, name) for name in _OF_ALTITUDE}
    return replace(a, **new) if new else a
