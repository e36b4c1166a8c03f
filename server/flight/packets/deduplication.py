"""From hearings to transmissions to fixes: copies are one fix, late ones go where they belong.

The same packet heard again is a copy when it comes within seconds, or later by a roundabout way (a
digipeater, the internet). Heard again directly, after that, it was sent again. Two statements of one
receiver for one second (GGA and RMC, radio and internet, a batch sent twice) are one fix with the
fields of both. All of it depends on the set of receptions alone, not on the order in which they came.
"""

from __future__ import annotations

import bisect
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import Enum
from typing import NamedTuple

from decoders.reports import PositionReport, Report, SensorScale
from server.flight.physics.geodesy import distance_bearing

_COPY_WINDOW_MS = 12_000
_LATE_COPY_MS = 30 * 60_000
# Between a packet's own time and its hearing. On 50 real flights the lag is 1.9 s (median), 25.8 s (999
# of 1,000) and at most 405 s, and never below 0; a digipeater may repeat one after half an hour
_AHEAD_S = 60.0  # an error of the station's clock below NOTICED_S stays, and the tracker has one
_BEHIND_S = 3_660.0  # our choice: twice what is seen, and more than one pass of a buffer
_BEHIND_SAVED_S = 2 * 86_400.0


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

    @property
    def first_heard_s(self) -> float:
        return self.hearings[0].heard_at_ms / 1000.0

    @property
    def newest_s(self) -> float | None:
        """The latest own time of its positions; None where none has one."""
        times = (r.time_s for r in self.reports if isinstance(r, PositionReport))
        return max((time_s for time_s in times if time_s is not None), default=None)

    @property
    def speaks_of_scales(self) -> bool:
        return any(isinstance(r, SensorScale) for r in self.reports)


@dataclass(slots=True)
class _Group:
    """All hearings of one sender with one content, in canonical order, with what each decoded to."""

    hearings: list[tuple[Hearing, tuple[Report, ...], str]] = field(default_factory=list)
    packets: list[Packet] = field(default_factory=list)


class Change(NamedTuple):
    """What one hearing did to the packets of a sender."""

    removed: tuple[Packet, ...]
    added: tuple[Packet, ...]


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
            group = _Group([(group.hearings[0], group.reports, group.text)], [group])
            self.groups[sender, content] = group
        bisect.insort(group.hearings, (hearing, reports, text), key=lambda entry: entry[0])
        before = group.packets
        group.packets = list(_packets(sender, group))
        kept = [p for p in group.packets if p in before]
        return Change(
            tuple(p for p in before if p not in kept),
            tuple(p for p in group.packets if p not in kept),
        )


def _packets(sender: str, group: _Group) -> Iterable[Packet]:
    packet: Packet | None = None
    for hearing, reports, text in group.hearings:
        if packet is not None:
            since_ms = hearing.heard_at_ms - packet.hearings[0].heard_at_ms
            roundabout = bool(hearing.repeated_by or hearing.fed_by)
            if since_ms <= _COPY_WINDOW_MS or (roundabout and since_ms <= _LATE_COPY_MS):
                packet.hearings.append(hearing)
                continue
            yield packet
        packet = Packet(sender, [hearing], reports, text)
    if packet is not None:
        yield packet


class TimeDoubt(Enum):
    """Why a packet's own time is not believed."""

    AHEAD = "later than it was heard"
    BEHIND = "earlier than its way explains"


class SentAt(NamedTuple):
    """When the content of a packet was true."""

    time_s: float
    own_time: bool
    doubt: TimeDoubt | None = None


class TimedReport(NamedTuple):
    """A position report with the time it is filed under."""

    time_s: float
    own_time: bool
    report: PositionReport
    doubt: TimeDoubt | None = None


def timed(packet: Packet) -> tuple[TimedReport, ...]:
    """The positions in a packet. One with no time, or with one that cannot be, has that of hearing."""
    newest_s = packet.newest_s
    return tuple(
        TimedReport(at.time_s, at.own_time, r, at.doubt)
        for r in packet.reports
        if isinstance(r, PositionReport)
        for at in (sent_at(packet, r.time_s, newest_s),)
    )


def sent_at(packet: Packet, own_s: float | None, newest_s: float | None) -> SentAt:
    """When a report of the packet was true, whose own time is `own_s`, and `newest_s` the
    latest that it carries.

    Nothing is sent later than it is heard, and a packet comes from the air within seconds, by a
    digipeater or the internet within half an hour. Otherwise the time of hearing counts. A phone may
    send what it saved hours ago: where its last position is ahead, all are put back by as much.
    """
    heard_s, first = packet.first_heard_s, packet.hearings[0]
    if own_s is None:
        return SentAt(heard_s, False)
    newest_s = own_s if newest_s is None else max(own_s, newest_s)
    if newest_s > heard_s + _AHEAD_S:
        put_back_s = own_s - (newest_s - heard_s)
        if not first.saved or put_back_s < heard_s - _BEHIND_SAVED_S:
            put_back_s = heard_s
        return SentAt(put_back_s, False, TimeDoubt.AHEAD)
    if own_s < heard_s - (_BEHIND_SAVED_S if first.saved else _BEHIND_S):
        return SentAt(heard_s, False, TimeDoubt.BEHIND)
    return SentAt(own_s, True)


_ONE_PLACE_M = 60.0


def merge(reports: Iterable[PositionReport]) -> tuple[PositionReport, ...]:
    """Statements of one receiver for one second, joined where they mean one place.

    The finest comes first and is completed from the others; one that lies elsewhere stays apart.
    """
    merged: list[PositionReport] = []
    for report in sorted(reports, key=_fineness):
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
    away_m, _ = distance_bearing(a.latitude_deg, a.longitude_deg, b.latitude_deg, b.longitude_deg)
    return away_m <= _ONE_PLACE_M + a.resolution_h_m + b.resolution_h_m


def _completed(a: PositionReport, b: PositionReport) -> PositionReport:
    if a.altitude_m is None and b.altitude_m is not None:
        a = replace(
            a,
            altitude_m=b.altitude_m,
            altitude_datum=b.altitude_datum,
            resolution_v_m=b.resolution_v_m,
            sigma_v_m=b.sigma_v_m,
        )
    return replace(
        a,
        course_deg=b.course_deg if a.course_deg is None else a.course_deg,
        speed_ms=b.speed_ms if a.speed_ms is None else a.speed_ms,
        climb_ms=b.climb_ms if a.climb_ms is None else a.climb_ms,
        sigma_h_m=b.sigma_h_m if a.sigma_h_m is None else a.sigma_h_m,
        battery_percent=b.battery_percent if a.battery_percent is None else a.battery_percent,
        comment=a.comment or b.comment,
    )
