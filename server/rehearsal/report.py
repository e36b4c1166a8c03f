"""The judge's table as text."""

from __future__ import annotations

from server.rehearsal.judge import Row, SearchRow, Verdict

_HEAD = (
    f"{'min':>4} {'true':<8} {'shown':<8} {'alt m':>7} {'age s':>6} {'track m':>8} {'height m':>9}"
    f" {'landing km':>11} {'lands s':>8}  in 90 %"
)


_EACH = 5  # minutes of a search between two rows
_SEARCH_HEAD = (
    f"{'min':>4} {'contact':<17} {'covered':>8} {'best off m':>11} {'90 % km²':>9} {'bearings':>9}"
    "  in 50 %  in 90 %"
)


def table(verdict: Verdict, title: str) -> str:
    """Minute by minute, then what was noticed and when, then the summary."""
    lines = [title, "", _HEAD, *map(_row, verdict.rows), "", "noticed after"]
    for notice in verdict.notices:
        after = "not noticed" if notice.after_s is None else f"{notice.after_s:,.0f} s"
        lines.append(f"  {notice.what:<28} {after}")
    if verdict.search:
        lines += ["", _SEARCH_HEAD, *map(_search_row, verdict.search[::_EACH])]
    lines += ["", "in all"]
    for name, value in verdict.summary.items():
        shown = "none" if value is None else value if isinstance(value, str) else f"{value:,.2f}"
        lines.append(f"  {name:<40} {shown}")
    return "\n".join(lines)


def _row(row: Row) -> str:
    inside = "" if row.inside_90 is None else "yes" if row.inside_90 else "NO"
    return (
        f"{row.minute:>4} {row.true_phase:<8} {row.phase:<8} {row.altitude_m:>7,.0f}"
        f" {_number(row.age_s, 6)} {_number(row.track_m, 8)} {_number(row.altitude_error_m, 9)}"
        f" {_number(None if row.landing_m is None else row.landing_m / 1_000, 11, 2)}"
        f" {_number(row.landing_time_s, 8)}  {inside}"
    )


def _search_row(row: SearchRow) -> str:
    inside = "  ".join(f"{'yes' if held else 'NO':<7}" for held in (row.inside_50, row.inside_90))
    return (
        f"{row.minute:>4} {row.contact:<17} {row.covered:>8.1%} {row.best_m:>11,.0f}"
        f" {row.area_90_km2:>9,.2f} {row.bearings:>9}  {inside.rstrip()}"
    )


def _number(value: float | None, width: int, digits: int = 0) -> str:
    return f"{'-':>{width}}" if value is None else f"{value:>{width},.{digits}f}"
