"""Whether what a plan names serves the flight: its sources and links, maps and forecast."""

from __future__ import annotations

import asyncio
from pathlib import Path

from server.commands.given import maps_of
from server.commands.sharing import try_links
from server.flight.physics.geodesy import distance_bearing
from server.geodata import forecast as forecasts
from server.geodata.coverage import MapCheck, around, check_basemap
from server.geodata.surroundings import Surroundings
from server.geodata.tiles import BasemapError, Bounds
from server.journal.database import Journal, JournalError
from server.plan.file import PlanFile
from server.session.replay import state_at
from server.sources.probe import ProbeResult, probe
from server.sources.source import kiss_on_words

AROUND_LAUNCH_M = 100_000.0  # what a flight usually stays over; common practice, no source


def check_forecast(plan: PlanFile, surroundings: Surroundings) -> tuple[bool, str] | None:
    """Whether the plan's forecast serves its launch; None where either is not said.

    A launch without a time is checked by its place alone, and the words say so.
    """
    launch, forecast = plan.launch, surroundings.forecast
    if forecast is None or launch is None:
        return None
    burst_m = plan.for_flight().balloon.burst_altitude_m
    place = (launch.latitude_deg, launch.longitude_deg)
    time_s = None if launch.time is None else launch.time.timestamp()
    return forecasts.check(forecast, place, time_s, burst_m)


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
    launch = plan.launch
    for one in surroundings.winds:
        words = f"winds: {one.name}, {len(one.time_s)} values to {one.altitude_m.max():,.0f} m"
        if launch is not None:
            places = zip(one.latitude_deg.tolist(), one.longitude_deg.tolist(), strict=True)
            here = launch.latitude_deg, launch.longitude_deg
            away_m = min(distance_bearing(*here, *place)[0] for place in places)
            words += f", {away_m / 1_000:,.0f} km from the launch"
            if launch.time is not None:
                hours = (launch.time.timestamp() - float(one.time_s.max())) / 3_600.0
                words += f", {abs(hours):.1f} h {'before' if hours >= 0 else 'after'} it"
        told.append((True, words))
    return told


def check_maps(plan: PlanFile, folder: Path, journal_path: Path) -> list[MapCheck]:
    """Do the plan's maps show where the flight goes? By the journal's prediction, if there is one,

    else by the surroundings of the launch site."""
    basemap = maps_of(plan, folder)
    try:
        area, what = _area_of(plan, journal_path)
        return check_basemap(basemap, area, what)
    except (BasemapError, JournalError) as error:
        return [MapCheck(False, str(error))]
    finally:
        basemap.close()


def _area_of(plan: PlanFile, journal_path: Path) -> tuple[Bounds | None, str]:
    if journal_path.is_file():
        with Journal(journal_path, read_only=True) as journal:
            receptions = [reception for _, reception in journal.receptions()]
        (flight,) = state_at(receptions, plan.for_flight(), None).flights
        landing = flight.landing
        if landing is not None:
            ring = landing.search_area.p90.coordinates[0]
            lons, lats = zip(*ring, strict=True)
            return (min(lons), min(lats), max(lons), max(lats)), "the predicted area"
    if plan.launch is None:
        return None, ""
    at = plan.launch.latitude_deg, plan.launch.longitude_deg
    return around(*at, AROUND_LAUNCH_M), f"{AROUND_LAUNCH_M / 1000:.0f} km about the launch"
