"""What is wrong with what was heard: clocks, times that cannot be, receptions left out."""

from __future__ import annotations

from collections.abc import Iterable

from server.flight.mission import Mission
from server.flight.mission_state import Problem, ProblemKind
from server.flight.packets.positions import FAR_M
from server.flight.packets.senders import Sender
from server.flight.packets.sent_at import TimeDoubt
from server.flight.physics.geodesy import distance_bearing
from server.flight.times import moment
from server.flight.tracker_state import RejectionKind

# another station's clock is told when it is off by so much: each is told of its own by itself, but
# one with a wrong date may have no screen at all
_TOLD_AHEAD_S = 2 * 3_600.0
_NEAR_DEG = 5.0  # each way is less than FAR_M, wherever it is: 790 km at most
_DOUBTS = {
    TimeDoubt.AHEAD: ProblemKind.TIMES_AHEAD,
    TimeDoubt.BEHIND: ProblemKind.TIMES_BEHIND,
}


def problems(mission: Mission) -> tuple[Problem, ...]:
    """In order of weight: clocks first."""
    return (
        *_own_clock(mission),
        *_other_clocks(mission),
        *_times(mission),
        *_far(mission),
        *_unusable(mission),
    )


def _own_clock(mission: Mission) -> Iterable[Problem]:
    if mission.now_ahead_s != 0.0:
        yield Problem(ProblemKind.OWN_CLOCK, ahead_s=mission.now_ahead_s)


def _other_clocks(mission: Mission) -> Iterable[Problem]:
    for station, ahead_s in mission.clocks.wrong().items():
        if abs(ahead_s) >= _TOLD_AHEAD_S:
            yield Problem(ProblemKind.OTHER_CLOCK, station, ahead_s=ahead_s)
    if mission.clocks.all_are_later:
        yield Problem(ProblemKind.OWN_CLOCK_BEHIND)
    for station, count in sorted(mission.undated.items()):
        yield Problem(ProblemKind.UNDATED, station, count)
    for station, heard_s in mission.held.items():
        yield Problem(ProblemKind.LATER_THAN_NOW, station, len(heard_s), time=moment(heard_s[-1]))


def _times(mission: Mission) -> Iterable[Problem]:
    for name in sorted({*mission.trackers, *mission.vehicles}):
        sender = mission.senders.get(name)
        for doubt, kind in _DOUBTS.items():
            count = 0 if sender is None else sender.doubted[doubt]
            if count > 0:
                yield Problem(kind, name, count)


def _far(mission: Mission) -> Iterable[Problem]:
    for flight in mission.flights:
        launch = flight.plan.launch
        if launch.latitude_deg is None or launch.longitude_deg is None:
            continue
        for name in flight.trackers:
            sender = mission.senders.get(name)
            if sender is None:
                continue
            yield from _swapped(sender)
            fix = sender.latest_fix()
            if fix is None or (
                abs(fix.latitude_deg - launch.latitude_deg) < _NEAR_DEG
                and abs(fix.longitude_deg - launch.longitude_deg) < _NEAR_DEG
            ):
                continue
            distance_m, _ = distance_bearing(
                launch.latitude_deg, launch.longitude_deg, fix.latitude_deg, fix.longitude_deg
            )
            if distance_m > FAR_M:
                yield Problem(ProblemKind.FAR_FROM_LAUNCH, name, distance_m=round(distance_m, -3))


def _swapped(sender: Sender) -> Iterable[Problem]:
    latest = sender.latest_impossible()
    if latest is not None and latest.kind == RejectionKind.SWAPPED:
        count = sum(one.kind == RejectionKind.SWAPPED for one in sender.impossible.values())
        assert latest.off_m is not None
        yield Problem(ProblemKind.SWAPPED, sender.name, count, distance_m=round(latest.off_m, -3))


def _unusable(mission: Mission) -> Iterable[Problem]:
    if mission.counts.unusable:
        kinds = ", ".join(sorted(mission.fault_kinds))
        yield Problem(ProblemKind.UNUSABLE, count=mission.counts.unusable, detail=kinds)
