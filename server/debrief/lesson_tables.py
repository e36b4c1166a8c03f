"""What the flight teaches, and where beacons were lost, as tables of the page."""

from __future__ import annotations

from collections.abc import Sequence

from server.debrief.effective_lift import flown_lift
from server.debrief.lessons import fitted_climb, fitted_fall, losses
from server.debrief.reader import reader
from server.debrief.record import FlightRecord
from server.debrief.table import Table
from server.debrief.words import NONE, climb, kilometres, metres


def lessons_table(record: FlightRecord) -> Table:
    fall, rise, burst = fitted_fall(record), fitted_climb(record), record.last("burst")
    plan = None if record.mission.plan.infer_trackers else record.plan  # a log alone plans nothing
    rows: list[Sequence[str]] = []

    def row(what: str, flown: str, planned: str | None) -> None:
        rows.append((what, flown, NONE if plan is None or planned is None else planned))

    balloon, descent = record.plan.balloon, record.plan.descent
    if rise is not None:
        row(
            "Ascent rate",
            f"{climb(rise.rate_ms, 2)}, ± {climb(rise.sigma_ms, 2)} over ten minutes",
            f"{climb(balloon.ascent_rate_ms, 2)}, ± {climb(balloon.ascent_rate_sigma_ms, 2)}",
        )
        flown, promised = flown_lift(record, rise.rate_ms), balloon.lift
        if flown is not None and promised is not None:
            row(
                "Free lift, by the climb",
                f"{flown.free_lift_kg:.2f} kg",
                f"{promised.free_lift_kg:.2f} kg, for {climb(promised.ascent_rate_ms, 2)}, "
                f"± {climb(promised.ascent_rate_sigma_ms, 2)}",
            )
    if burst is not None:
        row(
            "Burst altitude",
            metres(burst.altitude_m),
            f"{metres(balloon.burst_altitude_m)}, ± {metres(balloon.burst_altitude_sigma_m)}",
        )
    if fall is not None:
        planned_ms = descent.fall_speed_sea_level_ms
        row(
            "Fall speed by sea-level density",
            f"{climb(fall.fall_speed_sea_level_ms, 2)}, ± {100 * fall.relative_sigma:.0f} %",
            None if planned_ms is None else climb(planned_ms, 2),
        )
        if fall.drag_area_m2 is not None:
            row("Drag area", f"{fall.drag_area_m2:.2f} m²", None)
        if fall.drag_coefficient is not None:
            coefficient = descent.drag_coefficient
            row(
                "Drag coefficient of the parachute",
                f"{fall.drag_coefficient:.2f}",
                None if coefficient is None else f"{coefficient:.2f}",
            )
    return Table(
        "Lessons for the next plan",
        ("What", "As flown", "As planned"),
        rows,
        note="The file that ends in -next-plan.toml holds them for the next plan.",
        empty="Too little of the flight was seen.",
    )


def losses_table(record: FlightRecord) -> Table:
    by_altitude, by_distance = losses(record)
    names = sorted({r.tracker for r in by_altitude})
    rows = []
    for what, found in (("Altitude", by_altitude), ("From the car", by_distance)):
        cells = {
            (r.low_m, r.tracker): f"{r.heard:,} of {r.sent:,} ({100 * r.share:.0f} %)"
            for r in found
        }
        for low_m, high_m in sorted({(r.low_m, r.high_m) for r in found}):
            rows.append(
                (
                    f"{what} {_range(what, low_m, high_m)}",
                    *(cells.get((low_m, name), NONE) for name in names),
                )
            )
    labels = [record.flight.trackers[name].name for name in names]
    return Table(
        "Beacons lost",
        ("Range", *labels),
        rows,
        frozenset(range(1, len(names) + 1)),
        "Heard in the air, by anybody, of those sent as inferred from the interval; in brackets the "
        "share that was lost.",
        "No beacon interval known.",
    )


def _range(what: str, low_m: float, high_m: float) -> str:
    if reader().units == "metric":
        return f"{low_m / 1000:.0f} to {high_m / 1000:.0f} km"
    write = metres if what == "Altitude" else kilometres
    return f"{write(low_m)} to {write(high_m)}"
