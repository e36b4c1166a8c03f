"""Each tracker's own beacon interval, learned, and from it: reporting, late, silent, stuck.

Kept in order of hearing; a late arrival is put where it belongs and what follows is counted again.
"""

from __future__ import annotations

import bisect
import math
from collections import Counter
from dataclasses import dataclass, field
from typing import NamedTuple

from server.flight.packets.beacon_gaps import (
    beacon_interval_s,
    long_run_intervals,
    misses,
    posteriors,
    telling,
)
from server.flight.tracker_state import TrackerState

_LATE_AFTER_INTERVALS = 2.0
_GRACE_S = 5.0  # for the air, the digipeaters and the modem
_SHORTEST_INTERVAL_S = 1.0
_GAPS_KEPT = 32
_AT_ONCE = 16  # packets behind a late one that are counted again at once: below 1 ms
_KEPT_EVERY = 16  # packets: what is known after those between is counted again behind a late one
_PLANNED_INTERVALS = 4.0  # the usual plan: one with fewer is told earlier, and more often in vain
_RECENT_GAPS = 20
_DEFAULT_INTERVAL_S = (
    60.0  # at least, until some packets have been heard; common practice, no source
)
_FEWEST_GAPS = 3


class Silence(NamedTuple):
    """A tracker was not heard for longer than its threshold."""

    last_heard_s: float
    silent_from_s: float  # last heard + threshold: when the crew was told
    heard_again_s: float | None


class _Prefix(NamedTuple):
    """What is known after the first n packets."""

    gaps: tuple[float, ...] = ()  # between hearings of beacons
    last_beacon_s: float = -math.inf
    last_sent_s: float = -math.inf
    interval_s: float | None = None
    missed: int = 0
    counted: int = 0  # gaps, and of them misses, of which no gap gives more than a few
    counted_missed: int = 0
    counted_runs: int = 0  # gaps with a miss that counts
    silences: tuple[Silence, ...] = ()
    by_hearing: bool = False  # any of the gaps


_NOTHING = _Prefix()


@dataclass(slots=True)
class TrackerHealth:
    """The packets of one tracker in the order in which they were first heard.

    The interval is learned from the times of hearing: some trackers stamp their packets unevenly.
    Packets that a feed held back and brings at once are told by their own times; so is the interval, until
    two have come as they were sent.
    """

    silent_after_intervals: float
    # first heard, sent, whether it is a beacon (has a position: others come between)
    _packets: list[tuple[float, float, bool]] = field(default_factory=list)
    _counted: int = 0  # packets, after which `_known` is known
    _known: _Prefix = _NOTHING
    _kept: list[_Prefix] = field(
        default_factory=lambda: [_NOTHING]
    )  # after each _KEPT_EVERY of them
    _told: _Prefix | None = (
        None  # of before a late packet, until `work` is done with what follows it
    )
    copies: int = 0
    direct: int = 0
    heard_by: Counter[str] = field(default_factory=Counter)

    def add(
        self, first_heard_s: float, sent_s: float | None = None, *, beacon: bool = True
    ) -> None:
        """`sent_s` is the packet's own time, where it has one."""
        packet = (first_heard_s, first_heard_s if sent_s is None else sent_s, beacon)
        i = bisect.bisect_right(self._packets, packet)
        self._forget(i)
        self._packets.insert(i, packet)

    def remove(
        self, first_heard_s: float, sent_s: float | None = None, *, beacon: bool = True
    ) -> None:
        packet = (first_heard_s, first_heard_s if sent_s is None else sent_s, beacon)
        i = bisect.bisect_left(self._packets, packet)
        if i < len(self._packets) and self._packets[i] == packet:
            self._forget(i)
            del self._packets[i]

    def _forget(self, i: int) -> None:
        """What is known after the first i packets is to be found out again, by `work` if it is much."""
        if i >= self._counted:
            return
        if self._told is None and self._counted - i > _AT_ONCE:
            self._told = self._known
        kept = i // _KEPT_EVERY
        del self._kept[kept + 1 :]
        self._counted, self._known = kept * _KEPT_EVERY, self._kept[kept]

    def _count(self) -> None:
        """One packet more."""
        self._known = self._next(self._counted)
        self._counted += 1
        if self._counted % _KEPT_EVERY == 0:
            self._kept.append(self._known)

    def work(self, steps: int) -> int:
        """Go on with what a late packet has changed, a packet a step; returns the steps left."""
        while steps > 0 and self._counted < len(self._packets):
            self._count()
            steps -= 1
        if self._counted == len(self._packets):
            self._told = None
        return steps

    @property
    def pending(self) -> bool:
        """Whether there is work left."""
        return self._told is not None or self._counted < len(self._packets)

    @property
    def heard(self) -> int:
        return len(self._packets)

    def heard_between(self, from_s: float, until_s: float) -> int:
        """How many were first heard later than one moment and before another."""
        first = bisect.bisect_right(self._packets, (from_s, math.inf, True))
        return max(bisect.bisect_left(self._packets, (until_s,)) - first, 0)

    @property
    def last_heard_s(self) -> float | None:
        return self._packets[-1][0] if self._packets else None

    @property
    def interval_s(self) -> float | None:
        """The learned beacon interval; None until two packets have been heard."""
        return self._latest().interval_s

    @property
    def missed(self) -> int:
        """Packets that its interval says were sent between those that were heard."""
        return self._latest().missed

    @property
    def share_heard(self) -> float:
        """Of the beacons that its interval says were sent, long silences left out; 1 before any gap."""
        known = self._latest()
        return (
            known.counted / max(known.counted + known.counted_missed, 1) if known.counted else 1.0
        )

    def threshold_s(self) -> float:
        """It is silent when it has not been heard for longer.

        The plan's number of intervals, and more where its record says that runs of misses as long,
        which end within two intervals, are likelier than a false alarm may be with each beacon.
        """
        return self._threshold_s(self._latest())

    def silences(self, now_s: float) -> tuple[Silence, ...]:
        """All silences up to now, the present one last with `heard_again_s` None."""
        past = self._latest().silences
        last_s = self.last_heard_s
        if last_s is None or now_s <= last_s + self.threshold_s():
            return past
        return (*past, Silence(last_s, last_s + self.threshold_s(), None))

    def state(self, now_s: float) -> TrackerState:
        """By age alone: "stuck" and "waiting" are for the flight to say."""
        last_s = self.last_heard_s
        if last_s is None:
            return "never heard"
        age_s = now_s - last_s
        if age_s > self.threshold_s():
            return "silent"
        interval_s = self._latest().interval_s or _DEFAULT_INTERVAL_S
        return "late" if age_s > _LATE_AFTER_INTERVALS * interval_s + _GRACE_S else "reporting"

    def _threshold_s(self, known: _Prefix) -> float:
        intervals, interval_s = self.silent_after_intervals, known.interval_s
        if interval_s is not None:
            told_early = min(intervals / _PLANNED_INTERVALS, 1.0)
            long_run = long_run_intervals(*_loss(known)) if known.counted else 0.0
            intervals = max(intervals, told_early * long_run)
        if interval_s is None or known.counted < _FEWEST_GAPS:
            interval_s = max(interval_s or 0.0, _DEFAULT_INTERVAL_S)
        return intervals * interval_s + _GRACE_S

    def _latest(self) -> _Prefix:
        if self._told is not None:
            return self._told
        while self._counted < len(self._packets):
            self._count()
        return self._known

    def _next(self, i: int) -> _Prefix:
        heard_s, sent_s, beacon = self._packets[i]
        known = self._known
        if i == 0:
            return known._replace(last_beacon_s=heard_s, last_sent_s=sent_s) if beacon else known
        last_s = self._packets[i - 1][0]
        if self._is_silence(known, heard_s - last_s):
            told_s = last_s + self._threshold_s(known)
            known = known._replace(silences=(*known.silences, Silence(last_s, told_s, heard_s)))
        if not beacon:
            return known
        gap_s = heard_s - known.last_beacon_s
        apart_s = sent_s - known.last_sent_s
        held_back = apart_s > 2.0 * gap_s + _GRACE_S or gap_s < _SHORTEST_INTERVAL_S
        if held_back and not known.by_hearing and apart_s > max(2.0 * gap_s, _SHORTEST_INTERVAL_S):
            gap_s = apart_s  # a backlog is all that was heard: better than nothing
        elif math.isinf(gap_s) or held_back:
            return known._replace(last_beacon_s=heard_s, last_sent_s=sent_s)
        gaps = (*known.gaps, gap_s)[-_GAPS_KEPT:]
        interval_s = beacon_interval_s(gaps)
        missed = misses(min(gap_s, apart_s) if apart_s > 0.0 else gap_s, interval_s)
        return _Prefix(
            gaps,
            heard_s,
            sent_s,
            interval_s,
            known.missed + missed,
            known.counted + 1,
            known.counted_missed + telling(missed),
            known.counted_runs + (telling(missed) > 0),
            known.silences,
            known.by_hearing or not held_back,
        )

    def _is_silence(self, known: _Prefix, gap_s: float) -> bool:
        """Its record makes the threshold longer alone, and takes longer to look at than all the rest."""
        if known.interval_s is None or gap_s <= (
            self.silent_after_intervals * known.interval_s + _GRACE_S
        ):
            return False
        return gap_s > self._threshold_s(known)


def _loss(known: _Prefix) -> tuple[float, float]:
    """That a run of misses begins after a packet, and that one goes on: means of beta posteriors.

    The larger of the recent one and that of the whole flight.
    """
    begins, goes_on = posteriors(known.counted, known.counted_runs, known.counted_missed)
    if known.interval_s is None:
        return begins, goes_on
    gaps = known.gaps[-_RECENT_GAPS:]
    recent: list[int] = []
    if misses(max(gaps), known.interval_s) > 0:
        recent = [telling(misses(gap_s, known.interval_s)) for gap_s in gaps]
    lately = posteriors(len(gaps), sum(missed > 0 for missed in recent), sum(recent))
    return max(begins, lately[0]), max(goes_on, lately[1])
