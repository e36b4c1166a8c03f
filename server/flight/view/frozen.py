"""Times in the air in which every tracker repeats itself, or tells no position: where it is nobody knows.

One that freezes alone is shown in its row, and the others go on. What repeats: the position, its place
alone while the altitude goes on, or its altitude alone.
"""

from __future__ import annotations

import bisect
import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence

import numpy as np
import numpy.typing as npt

from decoders.reports import PositionReport
from server.flight import alarms
from server.flight.flight import Flight
from server.flight.packets.deduplication import Packet
from server.flight.packets.positions import why_impossible
from server.flight.packets.senders import Sender
from server.flight.track.records import Records
from server.flight.tracker_state import RejectionKind

Flags = npt.NDArray[np.bool_]

_FIXES, _FOR_S = 4, 60.0  # so many in a row, over so long, of all trackers; our choice
_SILENT_S = 2 * _FOR_S  # without any fix
# one place, while the altitude changes: on 50 real flights one repeat, over 30 s and 131 m at most
_PLACE_FOR_S, _PLACE_UP_M = 120.0, 1_000.0
_REPEATS: Mapping[alarms.Repeats, tuple[RejectionKind, ...]] = {
    "position": (RejectionKind.FROZEN, RejectionKind.STUCK),
    "altitude": (RejectionKind.STUCK,),
}


def frozen(flight: Flight, senders: Sequence[Sender]) -> list[alarms.Frozen]:
    """`senders`: of the trackers that are to be heard in the air."""
    shown = flight.track.shown
    launch = next((e for e in flight.events() if e.kind == "launch"), None)
    landing = next((e for e in reversed(flight.events()) if e.kind == "landing"), None)
    if launch is None or not len(shown):
        return []
    found = [
        *_refused(shown, "position", shown.flags("used")),
        *_refused(shown, "altitude", shown.flags("whole") | ~shown.flags("used")),
        *_one_place(shown),
        *_without_fix(shown, senders, flight.mission.now_s),
    ]
    over_s = np.inf if landing is None else landing.time_s
    return [one for one in found if launch.time_s <= one.since_s <= over_s]


def _refused(shown: Records, repeats: alarms.Repeats, good: Flags) -> Iterator[alarms.Frozen]:
    """Stretches of fixes behind the last `good` one that were all left out as the same as before."""
    last_good, time_s = np.flatnonzero(good), shown.column("time_s")
    ends = np.append(last_good[1:], len(time_s))
    many = ends - last_good > _FIXES
    for last, after in zip(last_good[many].tolist(), ends[many].tolist(), strict=True):
        reasons = [verdict.reason for verdict in shown.verdicts[last + 1 : after]]
        if not all(reason is not None and reason.kind in _REPEATS[repeats] for reason in reasons):
            continue
        if any(record.fix.pressure_pa is not None for record in shown.records[last + 1 : after]):
            continue  # its barometer tells the height
        yield from _stretch(shown, repeats, last, after, _FOR_S)


def _one_place(shown: Records) -> Iterator[alarms.Frozen]:
    """Stretches in which every fix repeats its tracker's place, though the altitude changes."""
    lat, lon, of = shown.column("latitude_deg"), shown.column("longitude_deg"), shown.tracker()
    same = np.zeros(len(of), dtype=bool)
    for number in range(len(shown.names)):
        own = np.flatnonzero(of == number)
        same[own[1:]] = (np.diff(lat[own]) == 0.0) & (np.diff(lon[own]) == 0.0)
    moved, altitude_m = np.flatnonzero(~same), shown.column("altitude_m")
    ends = np.append(moved[1:], len(same))
    many = ends - moved > _FIXES
    for last, after in zip(moved[many].tolist(), ends[many].tolist(), strict=True):
        each = (altitude_m[last:after][of[last:after] == k] for k in range(len(shown.names)))
        if any(
            one.size and np.fmax.reduce(one) - np.fmin.reduce(one) >= _PLACE_UP_M for one in each
        ):
            yield from _stretch(shown, "place", last, after, _PLACE_FOR_S)


def _stretch(
    shown: Records, repeats: alarms.Repeats, last: int, after: int, for_s: float
) -> Iterator[alarms.Frozen]:
    """From the last good fix to the next one, where it is long enough."""
    time_s = shown.column("time_s")
    since_s = float(time_s[last])
    told = np.flatnonzero(time_s[last + _FIXES : after] >= since_s + for_s)
    if told.size:
        yield alarms.Frozen(
            repeats,
            since_s,
            float(time_s[last + _FIXES + int(told[0])]),
            float(time_s[after]) if after < len(time_s) else None,
            float(shown.value("stated_z_m", last)),
        )


def _without_fix(
    shown: Records, senders: Sequence[Sender], now_s: float
) -> Iterator[alarms.Frozen]:
    """Times without a fix in which trackers went on to send their last one, or none."""
    time_s = shown.column("time_s")
    ends = np.append(time_s[1:], now_s)
    for i in np.flatnonzero(ends - time_s > _SILENT_S).tolist():
        since_s, until_s = float(time_s[i]), float(ends[i])
        if sum(s.health.heard_between(since_s, until_s) for s in senders) < _FIXES:
            continue  # silence, as a rule
        packets = [[*_heard_between(s.packets, since_s, until_s)] for s in senders]
        for repeats, those in _OF_PACKETS.items():
            heard_s = sorted(p.first_heard_s for its in packets for p in those(its, since_s))
            told_s = [at_s for at_s in heard_s[_FIXES - 1 :] if at_s >= since_s + _FOR_S]
            if told_s:
                over_s = until_s if i + 1 < len(time_s) else None
                altitude_m = float(shown.value("stated_z_m", i))
                yield alarms.Frozen(repeats, since_s, told_s[0], over_s, altitude_m)


def _is_old(packet: Packet, since_s: float) -> bool:
    return packet.newest_s is not None and packet.newest_s <= since_s


def _repeated(packets: Sequence[Packet], since_s: float) -> Iterator[Packet]:
    """Those of one sender, in order of hearing, that repeat a fix, its time included. Of each time the first
    is none: a backlog that is handed over at once is old as well."""
    told_s: set[float | None] = set()
    for packet in packets:
        if not _is_old(packet, since_s):
            continue
        if packet.newest_s in told_s:
            yield packet
        told_s.add(packet.newest_s)


def _impossible(packets: Sequence[Packet], since_s: float) -> Iterator[Packet]:
    """Those with a position that cannot be one."""
    for packet in packets:
        if _is_old(packet, since_s):
            continue
        positions = [one for one in packet.reports if isinstance(one, PositionReport)]
        if positions and all(why_impossible(one) is not None for one in positions):
            yield packet


_OF_PACKETS: Mapping[alarms.Repeats, Callable[[Sequence[Packet], float], Iterator[Packet]]] = {
    "position": _repeated,
    "nothing": _impossible,
}


def _heard_between(packets: list[Packet], from_s: float, until_s: float) -> Iterator[Packet]:
    first = bisect.bisect_right(packets, from_s, key=lambda packet: packet.first_heard_s)
    for packet in itertools.islice(packets, first, None):
        if packet.first_heard_s >= until_s:
            return
        yield packet
