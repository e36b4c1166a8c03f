"""Each tracker's own beacon interval, learned, and from it: reporting, late, silent, stuck.

Kept in order of hearing; a late arrival is put where it belongs and what follows is counted again.
"""

from __future__ import annotations

import bisect
from collections import Counter
from dataclasses import dataclass, field
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

    gaps: tuple[float, ...] = ()
    interval_s: float | None = None
    missed: int = 0
    silences: tuple[Silence, ...] = ()


@dataclass(slots=True)
class TrackerHealth:
    """The packets of one tracker by the time they were first heard."""

    silent_after_intervals: float
    _times: list[float] = field(default_factory=list)
    _prefixes: list[_Prefix] = field(default_factory=list)
    copies: int = 0
    direct: int = 0
    heard_by: Counter[str] = field(default_factory=Counter)

    def add(self, first_heard_s: float) -> None:
        i = bisect.bisect_right(self._times, first_heard_s)
        self._times.insert(i, first_heard_s)
        del self._prefixes[i:]

    def remove(self, first_heard_s: float) -> None:
        i = bisect.bisect_left(self._times, first_heard_s)
        if i < len(self._times) and self._times[i] == first_heard_s:
            del self._times[i]
            del self._prefixes[i:]

    @property
    def heard(self) -> int:
        return len(self._times)

    @property
    def last_heard_s(self) -> float | None:
        return self._times[-1] if self._times else None

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
        if not self._times:
            return past
        silent_from_s = self._times[-1] + self.threshold_s()
        if now_s <= silent_from_s:
            return past
        return (*past, Silence(self._times[-1], silent_from_s, None))

    def state(self, now_s: float) -> State:
        """By age alone: "stuck" and "waiting" are for the flight to say."""
        if not self._times:
            return "never heard"
        age_s = now_s - self._times[-1]
        if age_s > self.threshold_s():
            return "silent"
        interval_s = self._latest().interval_s or _DEFAULT_INTERVAL_S
        return "late" if age_s > _LATE_AFTER_INTERVALS * interval_s + _GRACE_S else "reporting"

    def _threshold_s(self, interval_s: float | None) -> float:
        return self.silent_after_intervals * (interval_s or _DEFAULT_INTERVAL_S) + _GRACE_S

    def _latest(self) -> _Prefix:
        for i in range(len(self._prefixes), len(self._times)):
            self._prefixes.append(self._next(i))
        return self._prefixes[-1] if self._prefixes else _Prefix()

    def _next(self, i: int) -> _Prefix:
        if i == 0:
            return _Prefix()
        before = self._prefixes[i - 1]
        gap_s = self._times[i] - self._times[i - 1]
        if gap_s < _SHORTEST_INTERVAL_S:
            return before
        gaps = (*before.gaps, gap_s)[-_GAPS_KEPT:]
        threshold_s = self._threshold_s(before.interval_s)
        silences = before.silences
        if before.interval_s is not None and gap_s > threshold_s:
            last_s = self._times[i - 1]
            silences = (*silences, Silence(last_s, last_s + threshold_s, self._times[i]))
        interval_s = _interval_s(gaps)
        missed = before.missed + max(round(gap_s / interval_s) - 1, 0)
        return _Prefix(gaps, interval_s, missed, silences)


def _interval_s(gaps: tuple[float, ...]) -> float:
    """The lower quartile of recent gaps: missed packets make gaps longer, never shorter."""
    ordered = sorted(gaps)
    return ordered[len(ordered) // 4]
