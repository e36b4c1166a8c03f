"""Made flights beside real ones: what is heard, how it falls, how the wind changes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from decoders.decode import decode
from decoders.reports import PositionReport
from server.rehearsal.air import density
from server.rehearsal.fleet import draw
from server.rehearsal.flight import fly
from tests.flights import real_index, real_logs, receptions

G = 9.80665
DRAG = 0.495  # of the nominal area: ../shared/checks.md
LAYER_M = 250.0
SEPARATIONS_MIN = ((15, 30), (30, 60), (60, 75), (90, 105), (105, 120), (120, 400))
CHANGES_M = ((1_500, 3_000), (3_000, 6_000), (6_000, 10_000), (10_000, 16_000), (16_000, 30_000))
ROUGH_M = (6_000, 17_000)
ALOFT_M = ((10_000, 12_500), (12_500, 15_000), (15_000, 17_500), (17_500, 20_000), (20_000, 26_000))

Heard = tuple[float, str, str, bytes]  # heard_at_s, source, wire, payload
Series = np.ndarray  # rows of time s, latitude, longitude, altitude m


def made_flights(count: int) -> Iterable[tuple[list[Heard], float | None]]:
    """Receptions of radio trackers, and the fall-speed constant from mass and canopy."""
    for seed in range(count):
        scenario = draw(seed)
        heard: list[Heard] = [
            (ms / 1000.0, source, wire, payload)
            for ms, source, wire, payload in fly(scenario, seed).receptions
            if source == "internet"
        ]
        yield (
            heard,
            constant_from_mass(scenario.balloon.payload_kg, scenario.parachute.diameter_m),
        )


def real_flights() -> Iterable[tuple[list[Heard], float | None]]:
    index = real_index()
    for path in real_logs():
        entry = index[path.stem]
        mass, canopy = entry.get("neck_load_kg"), entry.get("parachute_diameter_m")
        known = constant_from_mass(mass, canopy) if mass and canopy else None
        yield [(r.heard_at_s, r.source, r.wire, r.payload) for r in receptions(path)], known


def constant_from_mass(mass_kg: float, canopy_m: float) -> float:
    return float(np.sqrt(2 * mass_kg * G / (DRAG * np.pi / 4 * canopy_m**2)))


def collect(flights: Iterable[tuple[list[Heard], float | None]]) -> dict[str, Any]:
    """Every figure over all flights."""
    found: dict[str, list[float]] = defaultdict(list)
    for heard, known in flights:
        tracks, lags = series(heard)
        found["lag"] += lags
        _gaps(tracks, found)
        _pairs(tracks, found)
        _pair_winds(tracks, found)
        found["disorder"].append(_disorder(heard))
        if not tracks:
            continue
        best = max(tracks.values(), key=len)
        _fall(best, known, found)
        _wind(best, found)
    return _figures(found)


def series(heard: Sequence[Heard]) -> tuple[dict[str, Series], list[float]]:
    """Each tracker's fixes by its own time (first hearing), and all lags in s."""
    fixes: dict[str, dict[float, tuple[float, float, float]]] = defaultdict(dict)
    lags: list[float] = []
    for heard_at_s, source, wire, payload in heard:
        for report in decode(wire, payload, heard_at_s, source).reports:
            if not isinstance(report, PositionReport) or report.time_s is None:
                continue
            if report.altitude_m is None or report.time_s in fixes[report.name]:
                continue
            place = (report.latitude_deg, report.longitude_deg, report.altitude_m)
            fixes[report.name][report.time_s] = place
            lags.append(heard_at_s - report.time_s)
    tracks = {}
    for name, known in fixes.items():
        rows = np.array([(t, *place) for t, place in sorted(known.items())])
        if len(rows) >= 30 and rows[:, 3].max() > 3_000.0:
            tracks[name] = rows
    return tracks, lags


def _disorder(heard: Sequence[Heard]) -> float:
    """Share of fixes that are first heard after a later one of any tracker."""
    seen: set[tuple[str, float]] = set()
    newest_s, late = 0.0, 0
    for heard_at_s, source, wire, payload in heard:
        for report in decode(wire, payload, heard_at_s, source).reports:
            if not isinstance(report, PositionReport) or report.time_s is None:
                continue
            if (report.name, report.time_s) not in seen:
                seen.add((report.name, report.time_s))
                late += report.time_s < newest_s
                newest_s = max(newest_s, report.time_s)
    return late / max(len(seen), 1)


def _gaps(tracks: dict[str, Series], found: dict[str, list[float]]) -> None:
    for rows in tracks.values():
        gaps = np.diff(rows[:, 0])
        gaps = gaps[gaps > 1.0]
        interval = float(np.percentile(gaps, 25))
        missed = np.maximum(np.round(gaps / interval) - 1, 0).sum()
        found["interval"].append(interval)
        found["missed share"].append(float(missed / (missed + len(rows))))
        found["longest gap"].append(float(gaps.max()))


def _pairs(tracks: dict[str, Series], found: dict[str, list[float]]) -> None:
    """Two trackers of one box at the same second."""
    names = sorted(tracks)
    for i, one in enumerate(names):
        for other in names[i + 1 :]:
            a, b = tracks[one], tracks[other]
            _, at_a, at_b = np.intersect1d(a[:, 0], b[:, 0], return_indices=True)
            north = (a[at_a, 1] - b[at_b, 1]) * 111_200.0
            east = (a[at_a, 2] - b[at_b, 2]) * 111_320.0 * np.cos(np.radians(a[at_a, 1]))
            found["pair apart"] += np.hypot(north, east).tolist()
            found["pair height"] += (a[at_a, 3] - b[at_b, 3]).tolist()


def _pair_winds(tracks: dict[str, Series], found: dict[str, list[float]]) -> None:
    """Two trackers on the same ascent: how their winds differ in the same layer."""
    names = sorted(tracks)
    rising = {name: _layers(rows[: int(rows[:, 3].argmax()) + 1]) for name, rows in tracks.items()}
    for i, one in enumerate(names):
        for other in names[i + 1 :]:
            a, b = rising[one], rising[other]
            for layer in set(a) & set(b):
                if abs(a[layer][0] - b[layer][0]) < 30.0:
                    found["pair wind"].append(float(((a[layer][1:] - b[layer][1:]) ** 2).sum()))


def _fall(rows: Series, known: float | None, found: dict[str, list[float]]) -> None:
    """Constant k = v √ρ: its size, scatter, change with height, and that from mass and canopy."""
    top = int(rows[:, 3].argmax())
    up, down = rows[: top + 1], rows[top:]
    rising = np.diff(up[:, 3]) / np.diff(up[:, 0])
    middle = (up[1:, 3] + up[:-1, 3]) / 2
    for low, high in ((3_000.0, 8_000.0), (12_000.0, 18_000.0), (20_000.0, 26_000.0)):
        here = rising[(middle > low) & (middle < high)]
        if here.size > 5:
            found[f"ascent {low:.0f}"].append(float(np.median(here)))
    if len(down) < 12:
        return
    seconds = np.diff(down[:, 0])
    height = (down[1:, 3] + down[:-1, 3]) / 2
    k = -np.diff(down[:, 3]) / seconds * np.sqrt(density(height))
    fair = (seconds < 70.0) & (k > 0.5) & (k < 60.0)
    k, height = k[fair], height[fair]
    low = k[(height > 2_500.0) & (height < 8_000.0)]
    if low.size < 4:
        return
    base = float(np.median(low))
    found["k"].append(base)
    found["k scatter"] += (low / base - 1.0).tolist()
    if known is not None:
        found["k over mass"].append(base / known)
    for bottom, ceiling in ALOFT_M:
        here = k[(height >= bottom) & (height < ceiling)]
        if here.size:
            found[f"k aloft {bottom}"].append(float(np.median(here)) / base)


def _wind(rows: Series, found: dict[str, list[float]]) -> None:
    """Ascent and descent of the same flight in layers: how the vector has changed."""
    top = int(rows[:, 3].argmax())
    up, down = _layers(rows[: top + 1]), _layers(rows[top:])
    both = sorted(set(up) & set(down))
    change = {i: down[i][1:] - up[i][1:] for i in both}
    for i in both:
        minutes = (down[i][0] - up[i][0]) / 60.0
        for low, high in SEPARATIONS_MIN:
            if low <= minutes < high:
                kilometre = [change[j] for j in range(i, i + 4) if j in change]
                if len(kilometre) == 4:
                    found[f"wind {low}"].append(float((np.mean(kilometre, axis=0) ** 2).sum()))
    for steps in (1, 2, 4, 8):
        for i in both:
            if i + steps in change:
                found[f"across {steps}"].append(float((change[i] * change[i + steps]).sum()))
    found["across 0"] += [float((v**2).sum()) for v in change.values()]
    for steps in (1, 2, 4):
        rough = [
            ((up[i + steps][1:] - up[i][1:]) ** 2).sum()
            for i in up
            if i + steps in up and ROUGH_M[0] <= i * LAYER_M < ROUGH_M[1]
        ]
        if rough:
            found[f"rough {steps}"].append(float(np.mean(rough)))
    ground_m = float(rows[:, 3].min())
    for low_m, high_m in CHANGES_M:
        here = [i for i in both if low_m <= (i + 0.5) * LAYER_M - ground_m < high_m]
        if len(here) >= 4:
            square = np.mean([(change[i] ** 2).sum() for i in here])
            found[f"change {low_m}"].append(float(np.log(square) / 2))
            found[f"minutes {low_m}"].append(
                float(np.mean([down[i][0] - up[i][0] for i in here])) / 60.0
            )


def _layers(rows: Series) -> dict[int, np.ndarray]:
    """Layer number -> time, east and north speed, from fixes less than 70 s apart."""
    found: dict[int, list[np.ndarray]] = defaultdict(list)
    for a, b in pairwise(rows):
        seconds = b[0] - a[0]
        if not 5.0 <= seconds <= 70.0:
            continue
        north = (b[1] - a[1]) * 111_200.0 / seconds
        east = (b[2] - a[2]) * 111_320.0 * np.cos(np.radians(a[1])) / seconds
        if np.hypot(north, east) < 120.0:
            low, high = sorted((a[3], b[3]))
            for i in range(int(low // LAYER_M), int(high // LAYER_M) + 1):
                found[i].append(np.array([(a[0] + b[0]) / 2, east, north]))
    return {i: np.mean(values, axis=0) for i, values in found.items()}


def _figures(found: dict[str, list[float]]) -> dict[str, Any]:
    def of(name: str, reduce: Callable[[np.ndarray], Any]) -> float | None:
        values = np.array(found.get(name, []))
        return float(reduce(values)) if values.size else None

    def rms(values: np.ndarray) -> Any:
        return np.sqrt(values.mean())

    def robust(values: np.ndarray) -> Any:
        return 1.4826 * np.median(np.abs(values - np.median(values)))

    figures: dict[str, Any] = {
        "interval s, median": of("interval", np.median),
        "missed share, median": of("missed share", np.median),
        "missed share, 90 %": of("missed share", lambda v: np.percentile(v, 90)),
        "longest gap s, median": of("longest gap", np.median),
        "lag s, median": of("lag", np.median),
        "lag s, 95 %": of("lag", lambda v: np.percentile(v, 95)),
        "lag s, worst": of("lag", np.max),
        "out of order, share": of("disorder", np.mean),
        "two trackers apart m, median": of("pair apart", np.median),
        "two trackers height m, robust sd": of("pair height", robust),
        "two trackers wind m/s, rms": of("pair wind", rms),
        "ascent m/s at 3 to 8 km": of("ascent 3000", np.median),
        "ascent m/s at 12 to 18 km": of("ascent 12000", np.median),
        "ascent m/s at 20 to 26 km": of("ascent 20000", np.median),
        "k, median": of("k", np.median),
        "k scatter about its constant, robust sd": of("k scatter", robust),
        "k over that from mass, robust sd": of("k over mass", robust),
        "k over that from mass, share above 1.4": of("k over mass", lambda v: (v > 1.4).mean()),
    }
    for bottom, ceiling in ALOFT_M:
        figures[f"k at {bottom / 1000:g} to {ceiling / 1000:g} km, relative"] = of(
            f"k aloft {bottom}", np.median
        )
    for low, high in SEPARATIONS_MIN:
        figures[f"wind change m/s rms, {low} to {high} min"] = of(f"wind {low}", rms)
    for low, high in CHANGES_M:
        where = f"wind change at {low / 1000:g} to {high / 1000:g} km above the launch"
        figures[f"{where}, m/s rms of the middle flight"] = of(
            f"change {low}", lambda v: np.exp(np.median(v))
        )
        figures[f"{where}, spread between flights (log)"] = of(f"change {low}", np.std)
        figures[f"{where}, minutes between"] = of(f"minutes {low}", np.mean)
    for steps in (1, 2, 4):
        figures[f"one ascent's wind over {steps * LAYER_M:g} m, m/s rms"] = of(
            f"rough {steps}", rms
        )
    whole = of("across 0", np.mean)
    for steps in (1, 2, 4, 8):
        shared = of(f"across {steps}", np.mean)
        figures[f"its correlation over {steps * LAYER_M:g} m"] = (
            None if not whole or shared is None else shared / whole
        )
    return figures
