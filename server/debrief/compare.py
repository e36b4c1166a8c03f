"""Several flights side by side: a table, one map, and a CSV."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from server.debrief.cards import cards
from server.debrief.csv_tables import Columns, rounded, table_csv
from server.debrief.figures import Figures, figures
from server.debrief.lessons import fitted_fall
from server.debrief.page import render
from server.debrief.reader import reader
from server.debrief.record import FlightRecord
from server.debrief.table import Table
from server.debrief.words import NONE, apart, climb, metres
from server.flight.times import rfc3339


def comparison_page(records: Sequence[FlightRecord]) -> bytes:
    """One page on all flights."""
    head = ["Flight", "Launch", *(c.label for c in cards(figures(records[0])))]
    head[2] = "Burst altitude"
    head += ["Fall speed, sea level", "Predicted at burst, off by", "Missing"]
    rows = [_row(record) for record in records]
    table = Table("Flights", head, rows, frozenset(range(1, len(head) - 1)))
    return render(
        records,
        title=f"{len(records)} flights",
        subtitle=f"Compared. All times are {reader().zone_name(_first_s(records))}, altitudes above mean "
        "sea level.",
        tables=[table],
    )


def _first_s(records: Sequence[FlightRecord]) -> float:
    heard = [r.heard_at_s for record in records for r in record.recording.receptions]
    return min(heard, default=0.0)


def _row(record: FlightRecord) -> list[str]:
    launch, found, fall = record.first("launch"), figures(record), fitted_fall(record)
    values = [card.value for card in cards(found)]
    values[0] = metres(found.burst_altitude_m)
    off_m = _off_at_burst_m(record)
    return [
        record.name,
        NONE if launch is None else f"{reader().local(launch.time_s):%Y-%m-%d %H:%M}",
        *values,
        climb(None if fall is None else fall.fall_speed_sea_level_ms),
        NONE if off_m is None else apart(off_m),
        "; ".join(record.problems[:3]) or NONE,
    ]


def _off_at_burst_m(record: FlightRecord) -> float | None:
    """Of the last prediction before the burst."""
    burst = record.last("burst")
    if burst is None:
        return None
    before = [p.off_m for p in record.predictions if p.at_s <= burst.time_s]
    return before[-1] if before else None


class _Compared(NamedTuple):
    """What the columns of the CSV are made from, worked out once a flight."""

    name: str
    launch_s: float | None
    figures: Figures
    fall_speed_sea_level_ms: float | None
    off_before_burst_m: float | None


_COLUMNS: Columns[_Compared] = {
    "flight": lambda c: c.name,
    "launch_utc": lambda c: None if c.launch_s is None else rfc3339(c.launch_s),
    "burst_altitude_m": lambda c: rounded(c.figures.burst_altitude_m, 2),
    "ascent_rate_m_per_s": lambda c: rounded(c.figures.ascent_rate_ms, 2),
    "descent_rate_low_m_per_s": lambda c: rounded(c.figures.descent_rate_low_ms, 2),
    "highest_ground_speed_m_per_s": lambda c: rounded(c.figures.highest_ground_speed_ms, 2),
    "distance_m": lambda c: rounded(c.figures.distance_m, 2),
    "duration_s": lambda c: rounded(c.figures.duration_s, 2),
    "fall_speed_sea_level_m_per_s": lambda c: rounded(c.fall_speed_sea_level_ms, 2),
    "off_before_burst_m": lambda c: rounded(c.off_before_burst_m, 2),
}


def _compared(record: FlightRecord) -> _Compared:
    launch, fall = record.first("launch"), fitted_fall(record)
    return _Compared(
        record.name,
        None if launch is None else launch.time_s,
        figures(record),
        None if fall is None else fall.fall_speed_sea_level_ms,
        _off_at_burst_m(record),
    )


def comparison_csv(records: Sequence[FlightRecord]) -> bytes:
    return table_csv(_COLUMNS, map(_compared, records))
