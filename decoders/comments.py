r"""Sensors in a home-made comment format, read with a pattern from the plan.

` 208T8363P` with the pattern `(?P<temperature>-?\d+)T(?P<pressure>\d+)P` and the scales
temperature (0.1, 0, "degC") and pressure (0.1, 0, "hPa") is 20.8 degC and 836.3 hPa.

The engine is RE2, whose time grows with the length of the comment alone: with one that backtracks a
pattern with nested repeats took hours over 45 letters, and with it every start after them. It knows no
look-around and no back-references.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import re2

from decoders.reports import DecodeError, SensorReport

MAX_COMMENT_CHARACTERS = 512
Scale = tuple[float, float, str]  # factor, offset, unit: value = number * factor + offset


class CommentPattern:
    """A regular expression with named groups, and a scale for each of them.

    DecodeError: a pattern that is no regular expression or names no group, or a scale for a group
    that is not there.
    """

    def __init__(self, pattern: str, scales: Mapping[str, Scale]) -> None:
        quiet = re2.Options()
        quiet.log_errors = False
        try:
            self._pattern = re2.compile(pattern, quiet)
        except re2.error as error:
            why = error.args[0].decode() if isinstance(error.args[0], bytes) else str(error)
            raise DecodeError(f"comment pattern {pattern!r}: {why}") from error
        found = self._pattern.groupindex
        named = re2.findall(r"\(\?P?<(\w+)>", pattern)
        if twice := sorted({name for name in named if named.count(name) > 1}):
            raise DecodeError(f"comment pattern {pattern!r} names {', '.join(twice)} twice")
        groups = sorted(found, key=found.__getitem__)
        if not groups:
            raise DecodeError(f"comment pattern {pattern!r} names no group; write (?P<name>...)")
        if strangers := sorted(set(scales) - set(groups)):
            raise DecodeError(
                f"scale for {', '.join(strangers)}, but the pattern names {', '.join(groups)}"
            )
        for name, (factor, offset, _) in scales.items():
            if not (math.isfinite(factor) and math.isfinite(offset)):
                raise DecodeError(f"scale of {name} is not a finite number")
        self._scales = {name: scales.get(name, (1.0, 0.0, "")) for name in groups}

    def read(self, name: str, comment: str, time_s: float | None) -> SensorReport | None:
        """The sensors of tracker `name`; None when the comment holds none."""
        match = self._pattern.search(comment[:MAX_COMMENT_CHARACTERS])
        if match is None:
            return None
        values: dict[str, float] = {}
        units: dict[str, str] = {}
        for quantity, (factor, offset, unit) in self._scales.items():
            try:
                value = float(match[quantity] or "") * factor + offset
            except ValueError:  # an optional group, or words where the number stands
                continue
            if math.isfinite(value):
                values[quantity] = value
                if unit:
                    units[quantity] = unit
        return SensorReport(name, values, units, time_s=time_s) if values else None
