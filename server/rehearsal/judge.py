"""What the crew was shown, beside what was so: errors by the minute, and how soon faults were seen."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from server.rehearsal.faults import FaultTime
from server.rehearsal.shown import Shown, covers, holds, seconds
from server.rehearsal.truth import Truth, distance_m

_BATTERY_DROP_V = 0.15
# what the station must show of a tracker for a fault to count as seen
_STATES = {
    "silent": {"silent"},
    "frozen": {"stuck", "silent"},
    "ceiling": {"stuck", "silent"},
    "reboot": {"late", "silent"},
    "wrong_digit": set(),
    "low_battery": {"late", "silent"},
    "no_fix": {"late", "silent"},
}
_BY_REJECTION = {"wrong_digit", "reboot", "no_fix"}


@dataclass(frozen=True, slots=True)
class Row:
    """One minute. None where nothing was shown (or nothing was to be shown)."""

    minute: int  # since the launch
    true_phase: str
    phase: str
    altitude_m: float  # true
    age_s: float | None  # of the track
    track_m: float | None  # horizontal error at the track's own time
    altitude_error_m: float | None
    landing_m: float | None
    landing_time_s: float | None  # predicted less true
    inside_90: bool | None


@dataclass(frozen=True, slots=True)
class Notice:
    """An event or a fault, and how long it took until the screen said so; None: never."""

    what: str
    at_s: float
    after_s: float | None


@dataclass(frozen=True, slots=True)
class SearchRow:
    """One minute of a search. `covered`: the chance that what was searched would have shown it."""

    minute: int
    contact: str
    covered: float
    best_m: float  # from the likeliest place to the true one
    area_90_km2: float
    inside_50: bool
    inside_90: bool
    bearings: int


@dataclass(frozen=True, slots=True)
class Verdict:
    rows: tuple[Row, ...]
    notices: tuple[Notice, ...]
    summary: Mapping[str, float | str | None] = field(default_factory=dict)
    search: tuple[SearchRow, ...] = ()


def judge(truth: Truth, faults: Sequence[FaultTime], looks: Sequence[Shown]) -> Verdict:
    """Compare looks, in order of time, with the truth."""
    rows: list[Row] = []
    for look in looks:
        row = _row(truth, look)
        if not rows or row.minute > rows[-1].minute:
            rows.append(row)
    notices = [
        _notice("burst", truth.burst_s, looks, lambda s: _has_event(s, "burst")),
        _notice("landing", truth.landing_s, looks, lambda s: s["phase"] == "landed"),
        *(_fault_notice(fault, looks) for fault in faults if fault.from_s < truth.end_s),
    ]
    search = _search_rows(truth, looks)
    summary = _summary(rows) | _search_summary(truth, looks, search)
    return Verdict(tuple(rows), tuple(notices), summary, search)


def _search_rows(truth: Truth, looks: Sequence[Shown]) -> tuple[SearchRow, ...]:
    rows: list[SearchRow] = []
    for look in looks:
        minute = math.floor((look.now_s - truth.launch_s) / 60.0)
        search = look.state.get("search") or {}
        result = search.get("result")
        if result is None or (rows and minute <= rows[-1].minute):
            continue
        best = (result["best_latitude_deg"], result["best_longitude_deg"])
        rows.append(
            SearchRow(
                minute,
                search["contact"],
                result["covered"],
                distance_m(best, truth.landing),
                result["area_90_m2"] / 1e6,
                holds(result["p50"], truth.landing),
                holds(result["p90"], truth.landing),
                len(search["bearings"]),
            )
        )
    return tuple(rows)


def _search_summary(
    truth: Truth, looks: Sequence[Shown], rows: Sequence[SearchRow]
) -> dict[str, float | str | None]:
    """Empty where it was always heard."""
    if not rows:
        return {}
    found = next((s["found"] for s in _searches(looks) if s.get("found")), None)
    since_s = next((seconds(s["since"]) for s in _searches(looks) if s.get("result")), None)
    found_s = None if found is None else seconds(found["time"])
    told: dict[str, float | str | None] = {
        "search: truth inside the 50 % area, share": _share(r.inside_50 for r in rows),
        "search: truth inside the 90 % area, share": _share(r.inside_90 for r in rows),
        "search: likeliest place off m, first": rows[0].best_m,
        "search: likeliest place off m, last": rows[-1].best_m,
        "search: chance covered, last": rows[-1].covered,
        "search: minutes from the last packet until found": None
        if found_s is None or since_s is None
        else (found_s - since_s) / 60.0,
    }
    if found is not None:
        place = (found["latitude_deg"], found["longitude_deg"])
        told["search: found so far off m"] = distance_m(place, truth.landing)
    return told


def _searches(looks: Sequence[Shown]) -> Iterable[Mapping[str, Any]]:
    return (look.state.get("search") or {} for look in looks)


def true_phase(truth: Truth, time_s: float) -> str:
    if time_s < truth.launch_s:
        return "ground"
    if time_s < truth.burst_s:
        return "float" if truth.float_s is not None and time_s >= truth.float_s else "ascent"
    return "descent" if time_s < truth.landing_s else "landed"


def _row(truth: Truth, look: Shown) -> Row:
    state, now_s = look.state, look.now_s
    track, landing = state.get("track"), state.get("landing")
    age = off = height = None
    if track:
        at_s = seconds(track["time"]) or now_s
        true = truth.at(at_s)
        age = now_s - at_s
        off = distance_m((track["latitude_deg"], track["longitude_deg"]), true)
        height = track["altitude_m"] - true[2]
    missed = late = None
    inside = None
    if landing and landing.get("latitude_deg") is not None:
        missed = distance_m((landing["latitude_deg"], landing["longitude_deg"]), truth.landing)
        lands_s = seconds(landing.get("time"))
        late = None if lands_s is None or now_s > truth.landing_s else lands_s - truth.landing_s
        inside = covers(landing.get("search_area"), truth.landing)
    return Row(
        math.floor((now_s - truth.launch_s) / 60.0),
        true_phase(truth, now_s),
        state["phase"],
        truth.at(now_s)[2],
        age,
        off,
        height,
        missed,
        late,
        inside,
    )


def _has_event(state: Mapping[str, Any], kind: str) -> bool:
    return any(event["kind"] == kind for event in state.get("events", ()))


def _notice(what: str, at_s: float, looks: Sequence[Shown], holds: Any) -> Notice:
    for look in looks:
        if look.now_s >= at_s and holds(look.state):
            return Notice(what, at_s, look.now_s - at_s)
    return Notice(what, at_s, None)


def _fault_notice(fault: FaultTime, looks: Sequence[Shown]) -> Notice:
    what = f"{fault.tracker} {fault.kind}"
    before: dict[str, Any] | None = None
    for look in looks:
        entry = next((t for t in look.state["trackers"] if t["name"] == fault.tracker), None)
        if entry is None:
            continue
        if look.now_s < fault.from_s:
            before = entry
        # shown once it is over is shown too late, but shown; half an hour on it is history
        elif look.now_s <= fault.to_s + 1_800.0 and _shows(fault.kind, entry, before):
            return Notice(what, fault.from_s, look.now_s - fault.from_s)
    return Notice(what, fault.from_s, None)


def _shows(kind: str, entry: Mapping[str, Any], before: Mapping[str, Any] | None) -> bool:
    if entry["state"] in _STATES[kind]:
        return True
    if before is None:
        return False
    if kind in _BY_REJECTION and entry["rejected"] > before["rejected"]:
        return True
    now_v, then_v = entry.get("voltage_v"), before.get("voltage_v")
    return (
        kind == "low_battery"
        and now_v is not None
        and then_v is not None
        and now_v < then_v - _BATTERY_DROP_V
    )


def _summary(rows: Sequence[Row]) -> dict[str, float | str | None]:
    aloft = [r for r in rows if r.true_phase in ("ascent", "float", "descent")]
    falling = [r for r in rows if r.true_phase == "descent"]
    held = [r.inside_90 for r in aloft if r.inside_90 is not None]

    def below(height_m: float) -> float | None:
        found = [
            r.landing_m for r in falling if r.altitude_m <= height_m and r.landing_m is not None
        ]
        return found[0] if found else None

    return {
        "minutes judged": float(len(rows)),
        "phase shown as it was, share": _share(r.phase == r.true_phase for r in aloft),
        "track error m, median": _median(r.track_m for r in aloft),
        "track error m, worst": max(
            (r.track_m for r in aloft if r.track_m is not None), default=None
        ),
        "altitude error m, median": _median(
            abs(r.altitude_error_m) for r in aloft if r.altitude_error_m is not None
        ),
        "age of the track s, median": _median(r.age_s for r in aloft),
        "landing error m, ascent median": _median(
            r.landing_m for r in aloft if r.true_phase == "ascent"
        ),
        "landing error m, after the burst": falling[0].landing_m if falling else None,
        "landing error m, from 10 km": below(10_000.0),
        "landing error m, from 5 km": below(5_000.0),
        "landing error m, last in the air": falling[-1].landing_m if falling else None,
        "landing error m, at the end": rows[-1].landing_m if rows else None,
        "truth inside the 90 % area, share": _share(held),
    }


def _median(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return statistics.median(known) if known else None


def _share(values: Iterable[bool]) -> float | None:
    known = list(values)
    return sum(known) / len(known) if known else None
