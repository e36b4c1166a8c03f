"""The figures of the flight, each on a card."""

from __future__ import annotations

from dataclasses import dataclass

from server.debrief.figures import Figures, figures
from server.debrief.record import FlightRecord
from server.debrief.words import climb, duration, kilometres, metres, speed


@dataclass(frozen=True)
class Figure:
    label: str
    value: str
    note: str = ""


def cards(f: Figures) -> list[Figure]:
    """The figures of the flight."""
    burst = f.burst_altitude_m
    top = (
        Figure("Burst altitude", metres(burst))
        if burst is not None
        else Figure("Highest seen", metres(f.highest_m), "the burst was not heard")
    )
    return [
        top,
        Figure("Ascent rate", climb(f.ascent_rate_ms), "mean, launch to burst"),
        Figure("Descent rate", climb(f.descent_rate_low_ms), "mean near the ground"),
        Figure("Highest ground speed", speed(f.highest_ground_speed_ms)),
        Figure("Distance", kilometres(f.distance_m), "launch to landing, straight"),
        Figure(
            "Duration",
            duration(f.duration_s),
            f"up {duration(f.ascent_s)}, down {duration(f.descent_s)}",
        ),
    ]


def figure_cards(record: FlightRecord) -> list[Figure]:
    return cards(figures(record))
