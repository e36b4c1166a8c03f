"""`leeward outlook`: launch hours compared, as a page, as JSON, and as the sheet for others."""

from __future__ import annotations

import math
import multiprocessing
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import orjson
import typer

from server.commands.given import fail, plan_at, surroundings_of
from server.flight.times import parse_time
from server.screen.replies import as_json

if TYPE_CHECKING:
    from server.flight.inputs import AvoidArea
    from server.geodata.surroundings import Surroundings
    from server.outlook.hours import Around, Hour, Site
    from server.plan.file import PlanFile
    from server.plan.flights import OneFlight

_DAYS_S = 3 * 86_400.0
_REACH_DEG = 4.0  # of latitude: 440 km
_MOST_HOURS = 1_000
_HOUR_S = 3_600.0
_FEW = 8  # are worked out here, without processes of their own
OWN_SITE = "the site"  # the plan's [launch]


def outlook(
    plan: Annotated[Path, typer.Argument(metavar="PLAN.toml", help="The plan of the flight.")],
    from_: Annotated[
        str | None, typer.Option("--from", help="First launch hour, as 2026-06-06T12:00:00Z.")
    ] = None,
    to: Annotated[str | None, typer.Option(help="Last launch hour.")] = None,
    step: Annotated[float, typer.Option(min=0.1, max=24, help="Hours between two.")] = 1.0,
    as_data: Annotated[bool, typer.Option("--json", help="Print JSON instead of a page.")] = False,
    out: Annotated[
        Path | None, typer.Option(help="Page to write; otherwise PLAN.outlook.html.")
    ] = None,
    sheet: Annotated[
        bool, typer.Option(help="Write the sheet for others too: PLAN.sheet.html.")
    ] = False,
    flight: Annotated[
        str | None, typer.Option(help="Which flight of the plan; otherwise the first.")
    ] = None,
    members: Annotated[int, typer.Option(min=100, max=5_000, help="Of each ensemble.")] = 500,
) -> None:
    """Compare launch hours before the flight: where it would come down, how surely, and is it fit."""
    from server.outlook.kept import KeptError, keep, kept_beside
    from server.outlook.page import outlook_page
    from server.outlook.sheet import sheet_page

    checked = plan_at(plan)
    one = _flight(checked, flight)
    surroundings = surroundings_of(checked, plan)
    around, sites = around_of(checked, one, surroundings)
    times_s = hours_of(one, from_, to, step)
    hours = compared(around, sites, times_s, members, quiet=as_data)
    winds = _winds(surroundings)
    told = [_told(hour) for hour in hours]
    if as_data:
        typer.echo(as_json({"flight": one.name, "winds": winds, "hours": told}).decode())
        return
    made = datetime.now(UTC)
    where = out or plan.with_suffix(".outlook.html")
    page = outlook_page(
        one.name, hours, told, "; ".join(winds) or "no winds", made, surroundings.avoid
    )
    try:
        where.write_text(page, encoding="utf-8")
        typer.echo(str(where))
        if sheet:
            best = hours[0]
            if one.launch is not None and one.launch.time_s is not None:
                best = min(
                    hours,
                    key=lambda h: abs(h.launch_time.timestamp() - (one.launch.time_s or 0.0)),  # type: ignore[union-attr]
                )
            beside = plan.with_suffix(".sheet.html")
            text = sheet_page(checked.contact, checked.places, around.plan, sites, best, made)
            beside.write_text(text, encoding="utf-8")
            typer.echo(str(beside))
        own = [hour for hour in hours if hour.site == OWN_SITE]
        keep(kept_beside(plan), one.name, made, own)
    except KeptError as error:
        raise fail(str(error)) from error
    except OSError as error:
        raise fail(f"{where}: cannot be written: {error.strerror or error}") from error


def _flight(plan: PlanFile, name: str | None) -> OneFlight:
    found = [one for one in plan.planned if name in (None, one.name)]
    if not found:
        names = ", ".join(one.name for one in plan.planned)
        raise fail(f"--flight: no flight is named {name!r} (there: {names})")
    return found[0]


def around_of(
    plan: PlanFile, one: OneFlight, surroundings: Surroundings
) -> tuple[Around, list[Site]]:
    """What all hours of a flight share, and the sites that it may be launched from."""
    from server.flight.inputs import VehiclePlan
    from server.outlook.hours import Around, Site
    from server.outlook.limits import Limits

    sites = [Site(s.name, s.latitude_deg, s.longitude_deg, s.altitude_m) for s in plan.sites]
    if one.launch is not None:
        launch = one.launch
        own = Site(OWN_SITE, launch.latitude_deg, launch.longitude_deg, launch.altitude_m)
        sites.insert(0, own)
    if not sites:
        raise fail("The plan names no place to launch from: [launch] or [[sites]].")
    for_flight = plan.for_flight(surroundings.avoid)
    avoid = (*surroundings.avoid, *_water(sites))
    cars = sorted(for_flight.vehicles, key=lambda car: not car.own)
    return (
        Around(
            plan=next(f for f in for_flight.flights if f.name == one.name),
            limits=Limits(**plan.limits.model_dump()),
            avoid=avoid,
            terrain=surroundings.terrain,
            forecast=surroundings.forecast,
            winds=surroundings.winds,
            car=cars[0] if cars else VehiclePlan(""),
        ),
        sites,
    )


def _water(sites: list[Site]) -> tuple[AvoidArea, ...]:
    """Lakes and sea as far as flights go from the sites: some degrees."""
    from server.geodata.water import water

    lats, lons = [s.latitude_deg for s in sites], [s.longitude_deg for s in sites]
    first = lons[0]
    near = [first + (lon - first + 180.0) % 360.0 - 180.0 for lon in lons]
    wide = _REACH_DEG / max(math.cos(math.radians(min(max(map(abs, lats)), 80.0))), 0.2)
    area = (min(near) - wide, min(lats) - _REACH_DEG, max(near) + wide, max(lats) + _REACH_DEG)
    return water((area[0], max(area[1], -85.0), area[2], min(area[3], 85.0)))


def hours_of(
    one: OneFlight, from_: str | None, to: str | None, step: float, span_s: float = _DAYS_S
) -> list[float]:
    """UTC seconds of launch, `step` hours apart: from the plan's or the next hour, `span_s` long."""
    planned_s = None if one.launch is None else one.launch.time_s
    first_s = planned_s if from_ is None else _moment(from_, "--from")
    if first_s is None:
        first_s = (datetime.now(UTC).timestamp() // _HOUR_S + 1) * _HOUR_S
    last_s = first_s + span_s if to is None else _moment(to, "--to")
    count = int((last_s - first_s) / (step * _HOUR_S)) + 1
    if not 1 <= count <= _MOST_HOURS:
        raise fail(
            f"--from, --to and --step give {max(count, 0)} hours: 1 to {_MOST_HOURS} expected"
        )
    return [first_s + number * step * _HOUR_S for number in range(count)]


def _moment(text: str, what: str) -> float:
    try:
        return parse_time(text) / 1_000.0
    except ValueError as error:
        raise fail(f"{what}: {error}") from error


_shared: list[Around] = []  # for the workers, which are forked from this process
_One = tuple["Site", float, int]


def _work(one: _One) -> Hour:
    from server.outlook.hours import hour

    return hour(_shared[0], *one)


def compared(
    around: Around, sites: Sequence[Site], times_s: Sequence[float], members: int, *, quiet: bool
) -> list[Hour]:
    """On all cores where the system can fork; with a progress bar, but when data is printed."""
    from server.outlook.hours import compare

    wanted: list[_One] = [(site, time_s, members) for site in sites for time_s in times_s]
    with typer.progressbar(length=len(wanted), label="launch hours", file=_nowhere(quiet)) as bar:
        if "fork" not in multiprocessing.get_all_start_methods() or len(wanted) <= _FEW:
            return compare(around, sites, times_s, members, lambda: bar.update(1))
        found = []
        _shared[:] = [around]
        forked = multiprocessing.get_context("fork")
        with ProcessPoolExecutor(multiprocessing.cpu_count(), mp_context=forked) as pool:
            for one in pool.map(_work, wanted, chunksize=2):
                found.append(one)
                bar.update(1)
        return found


def _nowhere(quiet: bool) -> Any:
    """The bar goes to the terminal's second channel, or nowhere."""
    import io
    import sys

    return io.StringIO() if quiet else sys.stderr


def _winds(surroundings: Surroundings) -> list[str]:
    found = [one.name for one in surroundings.winds]
    hours = getattr(surroundings.forecast, "hours", None)
    if surroundings.forecast is not None:
        found.insert(
            0, "a forecast" + (f" for {hours}" if hours else ", one sounding for all hours")
        )
    return found


def _told(hour: Hour) -> dict[str, Any]:
    """An hour as JSON values, with its areas to avoid where others look for them."""
    told: dict[str, Any] = orjson.loads(as_json(hour))
    return told | {"avoid": [] if told["landing"] is None else told["landing"]["avoid"]}
