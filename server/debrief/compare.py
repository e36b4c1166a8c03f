"""Several flights side by side: a table, one map, and a CSV."""

from __future__ import annotations

from collections.abc import Sequence

from server.debrief.export import write_csv
from server.debrief.figures import figures
from server.debrief.lessons import fitted_fall
from server.debrief.page import render
from server.debrief.record import FlightRecord
from server.debrief.table import Table
from server.debrief.tables import cards
from server.debrief.words import NONE, metres, speed
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
        subtitle="Compared.",
        tables=[table],
    )


def _row(record: FlightRecord) -> list[str]:
    launch, found, fall = record.first("launch"), figures(record), fitted_fall(record)
    values = [card.value for card in cards(found)]
    values[0] = metres(found.burst_altitude_m)
    off_m = _off_at_burst_m(record)
    return [
        record.name,
        NONE if launch is None else rfc3339(launch.time_s)[:16].replace("T", " "),
        *values,
        speed(None if fall is None else fall.fall_speed_sea_level_ms),
        metres(off_m),
        "; ".join(record.problems[:3]) or NONE,
    ]


def _off_at_burst_m(record: FlightRecord) -> float | None:
    """Of the last prediction before the burst."""
    burst = record.last("burst")
    if burst is None:
        return None
    before = [p.off_m for p in record.predictions if p.at_s <= burst.time_s]
    return before[-1] if before else None


def comparison_csv(records: Sequence[FlightRecord]) -> bytes:
    header = (
        "flight",
        "launch_utc",
        "burst_altitude_m",
        "ascent_rate_m_per_s",
        "descent_rate_low_m_per_s",
        "highest_ground_speed_m_per_s",
        "distance_m",
        "duration_s",
        "fall_speed_sea_level_m_per_s",
        "off_before_burst_m",
    )
    rows = []
    for record in records:
        launch, f, fall = record.first("launch"), figures(record), fitted_fall(record)
        rows.append(
            [
                record.name,
                None if launch is None else rfc3339(launch.time_s),
                *(
                    None if v is None else round(v, 2)
                    for v in (
                        f.burst_altitude_m,
                        f.ascent_rate_ms,
                        f.descent_rate_low_ms,
                        f.highest_ground_speed_ms,
                        f.distance_m,
                        f.duration_s,
                        None if fall is None else fall.fall_speed_sea_level_ms,
                        _off_at_burst_m(record),
                    )
                ),
            ]
        )
    return write_csv(header, rows)
