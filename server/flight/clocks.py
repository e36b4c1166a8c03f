"""The station's own clock against the GPS time in packets: how far it is off, and since when.

A laptop's clock may be minutes wrong, and may be set right in mid-flight. Packets that carry the time
of their fix show it: heard minus own time is the lag of the air, some seconds, plus the clock's error.
"""

from __future__ import annotations

import bisect
import math

_SAMPLES = 9
_FEWEST = 3
_STEP_S = 2.0
_NOTICED_S = 45.0  # a smaller error is left alone: the lag of real feeds stays below
_AGREEMENT_S = 15.0  # between the middle half of the samples; delayed packets agree less
_USUAL_LAG_S = 2.0  # median of real flights: checks.md
_PLAUSIBLE_S = 12 * 3_600.0


class Clocks:
    """Pairs of heard and own time, in order of hearing. A function of their set."""

    def __init__(self) -> None:
        self._heard_s: list[float] = []
        self._ahead_s: list[float] = []
        self._off = 0  # samples that are far off; with none of them the clock is right, always

    def add(self, heard_s: float, own_s: float) -> bool:
        """A packet heard at `heard_s` by the station's clock says that it was sent at `own_s`.

        True when that changes what is taken for the clock's error at a moment already heard.
        """
        ahead_s = heard_s - own_s - _USUAL_LAG_S
        if abs(ahead_s) > _PLAUSIBLE_S:
            return False
        i = bisect.bisect_right(self._heard_s, heard_s)
        self._off += abs(ahead_s) > _NOTICED_S
        if self._off == 0:
            self._heard_s.insert(i, heard_s)
            self._ahead_s.insert(i, ahead_s)
            return False
        touched = self._heard_s[max(i - _FEWEST, 0) : i + _SAMPLES]
        if i < len(self._heard_s):  # what was heard since the last sample
            touched.append(math.inf)
        before = [self.ahead_s(h) for h in touched]
        self._heard_s.insert(i, heard_s)
        self._ahead_s.insert(i, ahead_s)
        return before != [self.ahead_s(h) for h in touched]

    def ahead_s(self, heard_s: float) -> float:
        """How far the station's clock was ahead when it read `heard_s`; 0 while it looks right.

        From the packets before it, in whole steps; the very first ones look ahead.
        """
        if self._off == 0:
            return 0.0
        end = max(bisect.bisect_left(self._heard_s, heard_s), _FEWEST)
        recent = sorted(self._ahead_s[max(end - _SAMPLES, 0) : end])
        if len(recent) < _FEWEST:
            return 0.0
        middle = recent[len(recent) // 2]
        spread = recent[3 * len(recent) // 4] - recent[len(recent) // 4]
        if abs(middle) <= _NOTICED_S or spread >= _AGREEMENT_S:
            return 0.0
        return round(middle / _STEP_S) * _STEP_S
