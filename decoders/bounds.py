"""Bounds of every number in a report: what no receiver can measure is left out, and named.

`decode()` passes each report through `bounded`, so a bound holds for every wire. A value out of
bounds is left out alone: the rest of its report is kept. An accuracy beyond its bound becomes the
bound: it still says that the position is worth nothing, and its absence would say the opposite.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from operator import attrgetter

from decoders.reports import (
    EARLIEST_S,
    LATEST_S,
    DecodeError,
    PositionReport,
    Report,
    SensorReport,
    SensorScale,
    StatusReport,
)

LOWEST_M, HIGHEST_M = -10_000.0, 100_000.0  # deepest sea to the Karman line
# receivers on sale stop at 1,000 knots (1,852 m an hour each): "CoCom limits" of the export rules, as
# Wikipedia's page on that committee tells them
FASTEST_MS = 1_000.0 * 1_852.0 / 3_600.0
MOST_SIGMA_M = (
    100_000.0  # with a larger error the position says nothing; common practice, no source
)
MOST_STEP_M = 120_000.0  # one degree of latitude, the coarsest ambiguity of APRS
MOST_VALUE = 1e12  # a sensor's value, count or coefficient: squares and products stay finite
MOST_SATELLITES = 99.0  # two digits, as NMEA 0183 has them
MOST_SEQUENCE = 999_999


def bounded(report: Report) -> tuple[Report, tuple[str, ...]]:
    """The report without the numbers that cannot be, and the names of those.

    DecodeError: nothing is left of it (coordinates or coefficients that cannot be).
    """
    if isinstance(report, PositionReport):
        return _position(report)
    if isinstance(report, SensorReport):
        return _sensors(report)
    if isinstance(report, SensorScale):
        _scale(report)
        return report, ()
    if not isinstance(report, StatusReport) or within(report.time_s, EARLIEST_S, LATEST_S):
        return report, ()
    return replace(report, time_s=None), ("time",)


def within(value: float | None, least: float, most: float) -> bool:
    """Whether it is absent, or a finite number between them (nan is not)."""
    return value is None or least <= value <= most


# of a position: least, most, and what stands for one that is beyond
_LIMITS: tuple[tuple[str, float, float, float | None], ...] = (
    ("time_s", EARLIEST_S, LATEST_S, None),
    ("altitude_m", LOWEST_M, HIGHEST_M, None),
    ("course_deg", 0.0, 360.0, None),
    ("speed_ms", 0.0, FASTEST_MS, None),
    ("climb_ms", -FASTEST_MS, FASTEST_MS, None),
    ("battery_percent", 0.0, 100.0, None),
    ("satellites", 0.0, MOST_SATELLITES, None),
    ("sigma_h_m", 0.0, MOST_SIGMA_M, MOST_SIGMA_M),
    ("sigma_v_m", 0.0, MOST_SIGMA_M, MOST_SIGMA_M),
    ("resolution_h_m", 0.0, MOST_STEP_M, MOST_STEP_M),
    ("resolution_v_m", 0.0, MOST_STEP_M, MOST_STEP_M),
)
_limited = attrgetter(*(name for name, *_ in _LIMITS))


def _position(report: PositionReport) -> tuple[PositionReport, tuple[str, ...]]:
    if not within(report.latitude_deg, -90.0, 90.0) or not within(
        report.longitude_deg, -180.0, 180.0
    ):
        raise DecodeError("a position that is not on the earth")
    left_out: list[str] = []
    changes: dict[str, float | None] = {}
    for (name, least, most, instead), value in zip(_LIMITS, _limited(report), strict=True):
        if value is not None and not least <= value <= most:  # nan is not
            left_out.append(name)
            changes[name] = instead
    if changes:
        report = replace(report, **changes)  # type: ignore[arg-type]
    return report, tuple(left_out)


def _sensors(report: SensorReport) -> tuple[SensorReport, tuple[str, ...]]:
    left_out = [name for name, value in report.values.items() if not is_value(value)]
    left_out += [f"channel {i + 1}" for i, c in enumerate(report.channels) if not is_value(c)]
    if left_out:
        report = replace(
            report,
            values=_kept(report.values),
            channels=tuple(c if is_value(c) else None for c in report.channels),
        )
    if not within(report.time_s, EARLIEST_S, LATEST_S):
        report, left_out = replace(report, time_s=None), [*left_out, "time"]
    if not within(report.sequence, 0, MOST_SEQUENCE):
        report, left_out = replace(report, sequence=None), [*left_out, "sequence"]
    return report, tuple(left_out)


def _kept(values: Mapping[str, float]) -> dict[str, float]:
    return {name: value for name, value in values.items() if is_value(value)}


def is_value(value: float | None) -> bool:
    """Whether a sensor's value is absent or can be one."""
    return value is None or (math.isfinite(value) and abs(value) <= MOST_VALUE)


def _scale(report: SensorScale) -> None:
    for row in report.coefficients:
        for number in row:
            if not is_value(number):
                raise DecodeError(f"EQNS coefficient beyond {MOST_VALUE:g}")
