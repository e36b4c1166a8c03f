"""Each tracker's own beacon interval, learned, and from it: reporting, late, silent, stuck.

Kept in order of hearing; a late arrival is put where it belongs and what follows is counted again.
"""

from __future__ import annotations

import bisect
import math
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import Literal, NamedTuple

State = Literal["never heard", "reporting", "late", "silent", "stuck", "waiting"]

_LATE_AFTER_INTERVALS = 2.0
_GRACE_S = 5.0  # for the air, the digipeaters and the modem
_SHORTEST_INTERVAL_S = 1.0
_GAPS_KEPT = 24
_DEFAULT_INTERVAL_S = 60.0  # until two packets have been heard; common practice, no source


class Silence(NamedTuple):
    """A tracker was not heard for longer than its threshold."""

    last_heard_s: float
    silent_from_s: float  # last heard + threshold: when the crew was told
    heard_again_s: float | None


@dataclass(frozen=True, slots=True)
class _Prefix:
    """What is known after the first n packets."""

    gaps: tuple[float, ...] = ()  # between times of sending
    last_sent_s: float = -math.inf
    interval_s: float | None = None
    missed: int = 0
    silences: tuple[Silence, ...] = ()


@dataclass(slots=True)
class TrackerHealth:
    """The packets of one tracker in the order in which they were first heard.

    The interval is learned from the times of sending (a feed that catches up brings many at once),
    silence is told by the times of hearing.
    """

    silent_after_intervals: float
    # first heard, sent, whether it is a beacon (has a position: others come between)
    _packets: list[tuple[float, float, bool]] = field(default_factory=list)
    _prefixes: list[_Prefix] = field(default_factory=list)
    copies: int = 0
    direct: int = 0
    heard_by: Counter[str] = field(default_factory=Counter)

    def add(
        self, first_heard_s: float, sent_s: float | None = None, *, beacon: bool = True
    ) -> None:
        """`sent_s` is the packet's own time, where it has one."""
        packet = (first_heard_s, first_heard_s if sent_s is None else sent_s, beacon)
        i = bisect.bisect_right(self._packets, packet)
        self._packets.insert(i, packet)
        del self._prefixes[i:]

    def remove(
        self, first_heard_s: float, sent_s: float | None = None, *, beacon: bool = True
    ) -> None:
        packet = (first_heard_s, first_heard_s if sent_s is None else sent_s, beacon)
        i = bisect.bisect_left(self._packets, packet)
        if i < len(self._packets) and self._packets[i] == packet:
            del self._packets[i]
            del self._prefixes[i:]

    @property
    def heard(self) -> int:
        return len(self._packets)

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

    def threshold_s(self) -> float:
        return self._threshold_s(self._latest().interval_s)

    def silences(self, now_s: float) -> tuple[Silence, ...]:
        """All silences up to now, the present one last with `heard_again_s` None."""
        past = self._latest().silences
        last_s = self.last_heard_s
        if last_s is None or now_s <= last_s + self.threshold_s():
            return past
        return (*past, Silence(last_s, last_s + self.threshold_s(), None))

    def state(self, now_s: float) -> State:
        """By age alone: "stuck" and "waiting" are for the flight to say."""
        last_s = self.last_heard_s
        if last_s is None:
            return "never heard"
        age_s = now_s - last_s
        if age_s > self.threshold_s():
            return "silent"
        interval_s = self._latest().interval_s or _DEFAULT_INTERVAL_S
        return "late" if age_s > _LATE_AFTER_INTERVALS * interval_s + _GRACE_S else "reporting"

    def _threshold_s(self, interval_s: float | None) -> float:
        return self.silent_after_intervals * (interval_s or _DEFAULT_INTERVAL_S) + _GRACE_S

    def _latest(self) -> _Prefix:
        for i in range(len(self._prefixes), len(self._packets)):
            self._prefixes.append(self._next(i))
        return self._prefixes[-1] if self._prefixes else _Prefix()

    def _next(self, i: int) -> _Prefix:
        heard_s, sent_s, beacon = self._packets[i]
        if i == 0:
            return _Prefix(last_sent_s=sent_s if beacon else -math.inf)
        before = self._prefixes[i - 1]
        last_s = self._packets[i - 1][0]
        threshold_s = self._threshold_s(before.interval_s)
        silences = before.silences
        if before.interval_s is not None and heard_s - last_s > threshold_s:
            silences = (*silences, Silence(last_s, last_s + threshold_s, heard_s))
        gap_s = sent_s - before.last_sent_s
        if beacon and math.isinf(gap_s):
            return replace(before, silences=silences, last_sent_s=sent_s)
        if not beacon or gap_s < _SHORTEST_INTERVAL_S:  # out of order, or two packets of one moment
            return replace(before, silences=silences)
        gaps = (*before.gaps, gap_s)[-_GAPS_KEPT:]
        interval_s = _interval_s(gaps)
        missed = before.missed + max(round(gap_s / interval_s) - 1, 0)
        return _Prefix(gaps, sent_s, interval_s, missed, silences)


def _interval_s(gaps: tuple[float, ...]) -> float:
    """The lower quartile of recent gaps: missed packets make gaps longer, never shorter."""
    ordered = sorted(gaps)
    return ordered[len(ordered) // 4]
