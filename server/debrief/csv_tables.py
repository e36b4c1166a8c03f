"""The flight as CSV: a table is a mapping from a column's name, with its unit, to its cell of a row."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TypeVar

from server.debrief.predictions import Prediction
from server.debrief.record import FlightRecord, RawFix, TrackPoint
from server.debrief.sentences import rejection_words
from server.flight.times import rfc3339
from server.flight.track.fixes import Verdict

_FORMULA = re.compile(r"(?!-?\d+(\.\d+)?\Z)[=+\-@\t\r]")  # a plain number is none

Row = TypeVar("Row")
Columns = Mapping[str, Callable[[Row], object]]

_TRACK: Columns[TrackPoint] = {
    "time_utc": lambda p: rfc3339(p.time_s),
    "latitude_deg": lambda p: f"{p.latitude_deg:.8f}",
    "longitude_deg": lambda p: f"{p.longitude_deg:.8f}",
    "altitude_m": lambda p: round(p.altitude_m, 1),
    "climb_m_per_s": lambda p: round(p.climb_ms, 2),
    "ground_speed_m_per_s": lambda p: round(p.ground_speed_ms, 2),
    "sigma_horizontal_m": lambda p: round(p.sigma_h_m, 1),
    "sigma_vertical_m": lambda p: round(p.sigma_v_m, 1),
    "phase": lambda p: p.phase,
}
_FIXES: Columns[RawFix] = {
    "time_utc": lambda r: rfc3339(r.fix.time_s),
    "tracker": lambda r: r.fix.tracker,
    "latitude_deg": lambda r: f"{r.fix.latitude_deg:.8f}",
    "longitude_deg": lambda r: f"{r.fix.longitude_deg:.8f}",
    "altitude_m": lambda r: r.fix.altitude_m,
    "pressure_pa": lambda r: r.fix.pressure_pa,
    "used": lambda r: r.verdict.accepted,
    "altitude_used": lambda r: r.verdict.altitude_used,
    "reason": lambda r: reason(r.verdict),
}
_PREDICTIONS: Columns[Prediction] = {
    "made_at_utc": lambda p: rfc3339(p.at_s),
    "phase": lambda p: p.phase,
    "altitude_m": lambda p: round(p.altitude_m),
    "landing_utc": lambda p: rfc3339(p.landing_s),
    "latitude_deg": lambda p: f"{p.latitude_deg:.6f}",
    "longitude_deg": lambda p: f"{p.longitude_deg:.6f}",
    "radius_90_m": lambda p: round(p.radius_90_m),
    "off_m": lambda p: rounded(p.off_m),
    "off_s": lambda p: rounded(p.off_s),
    "inside_90_percent_area": lambda p: p.inside_90,
}


def track_csv(record: FlightRecord) -> bytes:
    return table_csv(_TRACK, record.track)


def fixes_csv(record: FlightRecord) -> bytes:
    return table_csv(_FIXES, record.raw)


def predictions_csv(record: FlightRecord) -> bytes:
    return table_csv(_PREDICTIONS, record.predictions)


def table_csv(columns: Columns[Row], rows: Iterable[Row]) -> bytes:
    return write_csv(list(columns), ([cell(row) for cell in columns.values()] for row in rows))


def write_csv(header: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    """RFC 4180. Text that a spreadsheet would take for a formula gets an apostrophe before it."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(header)
    writer.writerows(map(_harmless, row) for row in rows)
    return out.getvalue().encode("utf-8", "replace")


def _harmless(cell: object) -> object:
    return f"'{cell}" if isinstance(cell, str) and _FORMULA.match(cell) else cell


def rounded(value: float | None, digits: int | None = None) -> float | None:
    return None if value is None else round(value, digits)


def reason(verdict: Verdict) -> str | None:
    """Why a fix was left out, in words."""
    return None if verdict.reason is None else rejection_words(verdict.reason)
