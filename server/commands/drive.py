"""`leeward drive`: one drive, or many, over an OpenStreetMap extract."""

from __future__ import annotations

import csv
import json
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
import typer

from server.commands.given import fail
from server.geodata.roads.extract import NEEDED, RoadsError

if TYPE_CHECKING:
    from server.flight.chase.roads import RoadWay, Snapped

_COLUMNS = ("from_lat", "from_lon", "to_lat", "to_lon")


def drive(
    extract: Annotated[Path, typer.Argument(metavar="FILE.osm.pbf", help="OpenStreetMap extract.")],
    start: Annotated[
        str | None, typer.Option("--from", metavar="LAT,LON", help="Where the drive begins.")
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", metavar="LAT,LON", help="Where it ends.")
    ] = None,
    pairs: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.csv", help="Many drives, from_lat,from_lon,to_lat,to_lon; prints JSON."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, with the way.")] = False,
) -> None:
    """Say how long a drive takes over the roads of an extract: to try one at home."""
    if pairs is None and (start is None or end is None):
        raise fail("drive needs --from LAT,LON and --to LAT,LON, or --pairs FILE.csv")
    if pairs is not None and (start is not None or end is not None):
        raise fail("--pairs stands alone, without --from and --to")
    places = None if pairs is None else _read_pairs(pairs)
    both = None if start is None or end is None else (_place(start, "--from"), _place(end, "--to"))
    drives = _opened(extract)
    if places is not None:
        found = [None if one is None else one._asdict() for one in drives.pairs(places)]
        _print_json({"pairs": [_rounded(one) for one in found]})
        return
    assert both is not None
    way, snapped = drives.way(*both)
    for n, option in enumerate(("--from", "--to")):
        if snapped.stop.edge[n] < 0:
            raise fail(f"{option}: no road that a car may drive within 30 km")
    if way is None:
        raise fail(f"{extract}: no way by car leads from {start} to {end}")
    if as_json:
        _print_json(_as_json(way, snapped))
    else:
        _print(way, snapped)


def _opened(extract: Path) -> Any:
    try:
        from server.geodata.roads.cache import open_graph
        from server.geodata.roads.drives import Drives
    except ImportError as error:
        raise fail(f"{NEEDED}: {error}") from error
    try:
        return Drives(open_graph(extract, partial(told_reading, extract)))
    except RoadsError as error:
        raise fail(error) from error


def told_reading(path: Path, done: float) -> None:
    """How far reading is: a line that is written over, where somebody looks on."""
    if sys.stderr.isatty():
        end = "\r" if done < 1.0 else "\n"
        typer.echo(f"{path.name}: roads {100 * done:3.0f} %{end}", err=True, nl=False)


def _place(text: str, option: str) -> tuple[float, float]:
    try:
        latitude_deg, longitude_deg = (float(part) for part in text.split(","))
    except ValueError as error:
        raise fail(f"{option}: LAT,LON in degrees expected, as 47.14,9.52, not {text!r}") from error
    if not (abs(latitude_deg) <= 90.0 and abs(longitude_deg) <= 180.0):
        raise fail(f"{option}: latitude -90 to 90 and longitude -180 to 180 expected, not {text!r}")
    return latitude_deg, longitude_deg


def _read_pairs(path: Path) -> Any:
    rows = []
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            missing = [name for name in _COLUMNS if name not in (reader.fieldnames or ())]
            if missing:
                raise fail(
                    f"{path}: the columns {','.join(_COLUMNS)} expected; {missing[0]} is missing"
                )
            for row in reader:
                where = f"{path}: line {reader.line_num}"
                first = _place(f"{row['from_lat']},{row['from_lon']}", where)
                rows.append((*first, *_place(f"{row['to_lat']},{row['to_lon']}", where)))
    except OSError as error:
        raise fail(f"{path}: cannot be read: {error.strerror or error}") from error
    except (csv.Error, UnicodeDecodeError) as error:
        raise fail(f"{path}: not a table: {error}") from error
    return np.array(rows, dtype=float).reshape(-1, 4)


def _rounded(one: dict[str, float] | None) -> dict[str, float] | None:
    return None if one is None else {name: round(value, 1) for name, value in one.items()}


def _print_json(found: Any) -> None:
    sys.stdout.write(json.dumps(found, ensure_ascii=False) + "\n")


def _as_json(way: RoadWay, snapped: Snapped) -> dict[str, Any]:
    """With the way as a GeoJSON Feature (RFC 7946)."""
    line = [[round(lon, 6), round(lat, 6)] for lat, lon in way.line.tolist()]
    ends = [
        {
            "latitude_deg": round(float(snapped.latitude_deg[n]), 6),
            "longitude_deg": round(float(snapped.longitude_deg[n]), 6),
            "off_road_m": round(float(snapped.walk_m[n]), 1),
        }
        for n in (0, 1)
    ]
    return {
        "time_s": round(way.time_s, 1),
        "distance_m": round(way.length_m, 1),
        "from": ends[0],
        "to": ends[1],
        "roads": [
            {"name": s.name, "ref": s.ref, "distance_m": round(s.length_m, 1), "track": s.track,
             "ferry": s.ferry}
            for s in way.stretches
        ],
        "way": {
            "type": "Feature",
            "geometry": {"type": "LineString", "coordinates": line},
            "properties": {"attribution": "© OpenStreetMap contributors, ODbL 1.0"},
        },
    }  # fmt: skip


def _print(way: RoadWay, snapped: Snapped) -> None:
    minutes = way.time_s / 60.0
    typer.echo(f"{minutes:.0f} min, {way.length_m / 1000.0:.1f} km")
    for stretch in way.stretches:
        name = " ".join(part for part in (stretch.ref, stretch.name) if part)
        kind = "ferry" if stretch.ferry else "track" if stretch.track else "unnamed road"
        typer.echo(f"  {stretch.length_m / 1000.0:7.2f} km  {name or kind}")
    for n, word in ((0, "the start"), (1, "the end")):
        if snapped.walk_m[n] > 50.0:
            typer.echo(f"{word} is {snapped.walk_m[n]:.0f} m from the road")
    typer.echo(
        "Roads: © OpenStreetMap contributors, ODbL 1.0. Signs and closures on the road decide."
    )
