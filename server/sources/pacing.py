"""How long to wait: before the next try, and before more is taken from who gives too much."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Backoff:
    """Seconds between tries: the first, doubled each time, up to the cap."""

    first_s: float = 1.0
    cap_s: float = 30.0

    def wait_s(self, failures: int) -> float:
        return min(self.cap_s, self.first_s * 2.0 ** min(failures - 1, 30))


USUAL = Backoff()


class Pace:
    """`burst` at once, then `per_s`: of bytes, of packets."""

    def __init__(self, per_s: float, burst: float, longest_s: float = math.inf) -> None:
        """`longest_s`: no wait is longer, whatever was given."""
        self._per_s, self._burst, self._longest_s = per_s, burst, longest_s
        self._left, self._since_s = burst, time.monotonic()

    def wait_s(self, taken: int) -> float:
        """After so many: how long until the rate is kept again."""
        self._left = max(self._filled() - taken, -self._longest_s * self._per_s)
        return max(-self._left / self._per_s, 0.0)

    def allows(self) -> bool:
        """Whether one more keeps the rate; it is taken then, and nothing else."""
        self._left = self._filled()
        if self._left < 1.0:
            return False
        self._left -= 1.0
        return True

    def _filled(self) -> float:
        now_s, since_s = time.monotonic(), self._since_s
        self._since_s = now_s
        return min(self._burst, self._left + (now_s - since_s) * self._per_s)
