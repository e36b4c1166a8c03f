"""The station's own clock against the GPS time in packets: how far it is off, and since when.

A laptop's clock may be minutes wrong, and may be set right in mid-flight. Packets that carry the time
of their fix show it: heard minus own time is the lag of the air, some seconds, plus the clock's error.
"""

from __future__ import annotations

import bisect

_SAMPLES = 9
_FEWEST = 3
_NOTICED_S = 45.0  # a smaller error is left alone: the lag of real feeds stays below
_AGREEMENT_S = 15.0  # between the middle half of the samples; delayed packets agree less
_USUAL_LAG_S = 2.0  # median of real flights: checks.md
_PLAUSIBLE_S = 12 * 3_600.0


class Clocks:
    """Pairs of heard and own time, in order of hearing. A function of their set."""

    def __init__(self) -> None:
        self._heard_s: list[float] = []
        self._ahead_s: list[float] = []
        self.wrong = False  # an error was noticed at some moment

    def add(self, heard_s: float, own_s: float) -> None:
        """A packet heard at `heard_s` by the station's clock says that it was sent at `own_s`."""
        ahead_s = heard_s - own_s - _USUAL_LAG_S
        if abs(ahead_s) > _PLAUSIBLE_S:
            return
        i = bisect.bisect_right(self._heard_s, heard_s)
        self._heard_s.insert(i, heard_s)
        self._ahead_s.insert(i, ahead_s)
        later = self._heard_s[max(i - _FEWEST, 0) : i + _SAMPLES]
        self.wrong = self.wrong or any(self.ahead_s(h) != 0.0 for h in later)

    def ahead_s(self, heard_s: float) -> float:
        """How far the station's clock was ahead when it read `heard_s`; 0 while it looks right."""
        end = max(bisect.bisect_right(self._heard_s, heard_s), _FEWEST)  # the first ones look ahead
        recent = sorted(self._ahead_s[max(end - _SAMPLES, 0) : end])
        if len(recent) < _FEWEST:
            return 0.0
        middle = recent[len(recent) // 2]
        spread = recent[3 * len(recent) // 4] - recent[len(recent) // 4]
        return middle if abs(middle) > _NOTICED_S and spread < _AGREEMENT_S else 0.0
