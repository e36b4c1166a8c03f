"""Whether what a plan names serves the flight: its sources and links, maps and forecast."""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from server.commands.given import maps_of
from server.commands.sharing import try_links
from server.flight.inputs import Reception
from server.flight.physics.geodesy import distance_bearing
from server.geodata import forecast as forecasts
from server.geodata.coverage import MapCheck, around, check_basemap
from server.geodata.packed import PackError, pack_beside, pack_lines, read_list
from server.geodata.surroundings import Surroundings
from server.geodata.terrain import TerrainFolder
from server.geodata.tiles import BasemapError, Bounds
from server.journal.database import Journal, JournalError
from server.journal.space import scarce
from server.plan.file import PlanFile
from server.session.replay import state_at
from server.sources.probe import ProbeResult, probe
from server.sources.source import kiss_on_words

GRID_POINTS = 41  # a side: every 5 km of the launch's surroundings
AROUND_LAUNCH_M = 100_000.0  # what a flight usually stays over; common practice, no source


def check_forecast(plan: PlanFile, surroundings: Surroundings) -> list[tuple[bool, str]]:
    """Whether the plan's forecast serves each launch that it tells.

    A launch without a time is checked by its place alone, and the words say so.
    """
    forecast, told = surroundings.forecast, []
    for flight in plan.for_flight().flights:
        launch = flight.launch
        if forecast is None or launch.latitude_deg is None or launch.longitude_deg is None:
            continue
        place = (launch.latitude_deg, launch.longitude_deg)
        burst_m = flight.balloon.burst_altitude_m
        told.append(forecasts.check(forecast, place, launch.time_s, burst_m))
    return list(dict.fromkeys(told))


def announced(plan: PlanFile) -> list[str]:
    """What trying the sources will send to a TNC, to be read before it is."""
    specs = plan.source_specs()
    return [f"{s.name}: {kiss_on_words(s)}" for s in specs if s.kiss_on and s.enabled]


async def try_sources(plan: PlanFile, folder: Path, seconds: float) -> list[ProbeResult]:
    """Try every source of a plan at once, and its links, and say what came of it."""
    sources = (probe(spec, seconds) for spec in plan.source_specs(folder))
    heard, linked = await asyncio.gather(asyncio.gather(*sources), try_links(plan, folder))
    return [*heard, *linked]


def check_winds(plan: PlanFile, surroundings: Surroundings) -> list[tuple[bool, str]]:
    """For each sounding that the plan names: how old it is at the launch, and how far from it."""
    told = [
        (False, f"winds: {problem}; the flight goes without them")
        for problem in surroundings.problems
    ]
    launch = min(plan.launches, key=lambda one: one.time_s or 0.0, default=None)
    for one in surroundings.winds:
        words = f"winds: {one.name}, {len(one.time_s)} values to {one.altitude_m.max():,.0f} m"
        if launch is not None:
            places = zip(one.latitude_deg.tolist(), one.longitude_deg.tolist(), strict=True)
            here = launch.latitude_deg, launch.longitude_deg
            away_m = min(distance_bearing(*here, *place)[0] for place in places)
            words += f", {away_m / 1_000:,.0f} km from the launch"
            if launch.time_s is not None:
                hours = (launch.time_s - float(one.time_s.max())) / 3_600.0
                words += f", {abs(hours):.1f} h {'before' if hours >= 0 else 'after'} it"
        told.append((True, words))
    return told


def check_maps(
    plan: PlanFile, path: Path, journal_path: Path, surroundings: Surroundings
) -> list[MapCheck]:
    """Do the maps of the plan at `path`, and its heights of the ground, cover where the flight goes?

    By the prediction, from the journal or before the first packet, if there is one, else by the
    surroundings of the launch site.
    """
    basemap = maps_of(plan, path)
    try:
        area, what = _area_of(plan, journal_path, surroundings)
        terrain = surroundings.terrain
        heights = [] if terrain is None or area is None else [_heights(terrain, area, what)]
        return [*check_basemap(basemap, area, what), *heights]
    except (BasemapError, JournalError) as error:
        return [MapCheck(False, str(error))]
    finally:
        basemap.close()


def _heights(terrain: TerrainFolder, area: Bounds, what: str) -> MapCheck:
    west, south, east, north = area
    side = np.linspace(0.0, 1.0, GRID_POINTS)
    lon, lat = np.meshgrid(west + side * (east - west), south + side * (north - south))
    share = float(np.isfinite(terrain.heights(lat.ravel(), lon.ravel())).mean())
    words = f"terrain: covers {share * 100:.0f} % of {what}"
    if share < 1.0:
        words += "; elsewhere the landing's altitude is a guess: add the missing tiles"
    return MapCheck(share > 0.0, words)


def check_pack(path: Path) -> list[MapCheck]:
    """What the pack beside the plan holds, how old it is, and whether it is as it was fetched."""
    folder = pack_beside(path)
    try:
        listed = read_list(folder)
    except PackError as error:
        return [MapCheck(False, str(error))]
    return pack_lines(folder, listed, datetime.now(UTC))


def check_disk(folder: Path) -> MapCheck:
    """Room where the journal will lie."""
    found = scarce(folder)
    if found is not None:
        return MapCheck(False, f"disk: only {found.count:,} MB are free for the journal: make room")
    return MapCheck(True, "disk: room for the journal")


def _area_of(plan: PlanFile, journal_path: Path, known: Surroundings) -> tuple[Bounds | None, str]:
    receptions: list[Reception] = []
    if journal_path.is_file():
        with Journal(journal_path, read_only=True) as journal:
            receptions = [reception for _, reception in journal.receptions()]
    until_ms = None if receptions else round(time.time() * 1_000)
    air = known.terrain, known.forecast, known.winds
    state = state_at(receptions, plan.for_flight(), until_ms, *air)
    landings = [flight.landing for flight in state.flights if flight.landing is not None]
    rings = [landing.search_area.p90.coordinates[0] for landing in landings]
    if rings:
        return _around_all([corner for ring in rings for corner in ring]), "the predicted area"
    places = [(launch.longitude_deg, launch.latitude_deg) for launch in plan.launches]
    if not places:
        return None, ""
    about = [around(lat, lon, AROUND_LAUNCH_M) for lon, lat in places]
    corners = [corner for w, s, e, n in about for corner in ((w, s), (e, n))]
    return _around_all(corners), f"{AROUND_LAUNCH_M / 1000:.0f} km about the launch"


def _around_all(corners: list[tuple[float, float]]) -> Bounds:
    """`corners`: longitude, latitude."""
    lons, lats = zip(*corners, strict=True)
    return min(lons), min(lats), max(lons), max(lats)
