"""How the receivers fare before the launch: switched off, indoors, settling. On top of their usual errors."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

SETTLING_M, SETTLING_S = 400.0, 60.0  # one of eight real receivers began 414 m off
_INDOORS_H_M, _INDOORS_V_M = 100.0, 60.0  # scatter, 1 sigma; common practice, no source


@dataclass(frozen=True, slots=True)
class Receiving:
    """Moments in UTC seconds."""

    off: tuple[tuple[float, float], ...] = ()  # switched off, from and to
    indoors: tuple[float, float] | None = None
    settling_from_s: float | None = None
    settling_sign: float = 1.0  # from above, or from below

    def is_off(self, time_s: float) -> bool:
        return any(start <= time_s < end for start, end in self.off)

    def error_m(self, time_s: float, chance: np.random.Generator) -> tuple[float, float, float]:
        """Towards east and north, and up."""
        up = 0.0
        if self.settling_from_s is not None and time_s >= self.settling_from_s:
            left = math.exp(-3.0 * (time_s - self.settling_from_s) / SETTLING_S)
            up = self.settling_sign * SETTLING_M * left
        if self.indoors is None or not self.indoors[0] <= time_s < self.indoors[1]:
            return 0.0, 0.0, up
        east, north = (_INDOORS_H_M * chance.standard_normal(2)).tolist()
        return east, north, up + float(_INDOORS_V_M * chance.standard_normal())
