"""`leeward drive`: one drive and many, as a crew types it, and what it says when something is wrong."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import shapely.geometry
from typer.testing import CliRunner

from server.commands.main import app
from tests.geodata.roads.extracts import VALLEY, lattice, place, write

VADUZ, NENDELN, MALBUN = "47.1410,9.5215", "47.2010,9.5440", "47.1020,9.6100"
HEADER = "from_lat,from_lon,to_lat,to_lon\n"


def drive(*arguments: str) -> Any:
    return CliRunner().invoke(app, ["drive", *arguments])


@pytest.fixture
def valley(tmp_path: Path) -> str:
    path = tmp_path / "valley.osm.pbf"
    path.write_bytes(VALLEY.read_bytes())
    return str(path)


def test_one_drive_as_json(valley: str) -> None:
    result = drive(valley, "--from", VADUZ, "--to", NENDELN, "--json")
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    # 8 km through three villages: a look at the map, not more
    assert 7_000 < found["distance_m"] < 11_000
    assert 480 < found["time_s"] < 1_080
    assert found["way"]["type"] == "Feature"
    line = shapely.geometry.shape(found["way"]["geometry"])
    assert line.geom_type == "LineString"
    assert line.length * 90_000 == pytest.approx(found["distance_m"], rel=0.25)
    assert "OpenStreetMap" in found["way"]["properties"]["attribution"]
    assert any("strasse" in road["name"].lower() for road in found["roads"])
    # the second time it is answered from what is kept
    assert Path(valley + ".roads").is_file()
    assert drive(valley, "--from", VADUZ, "--to", NENDELN, "--json").stdout == result.stdout


def test_one_drive_in_words(valley: str) -> None:
    result = drive(valley, "--from", VADUZ, "--to", MALBUN)
    assert result.exit_code == 0
    assert "min, " in result.stdout
    assert "km  " in result.stdout
    assert "© OpenStreetMap contributors" in result.stdout


def test_pairs_in_their_order(tmp_path: Path, valley: str) -> None:
    places = [VADUZ, NENDELN, MALBUN]
    pairs = [(a, b) for a in places for b in places]
    table = tmp_path / "pairs.csv"
    table.write_text(HEADER + "".join(f"{a},{b}\n" for a, b in pairs))
    result = drive(valley, "--pairs", str(table))
    assert result.exit_code == 0
    found = json.loads(result.stdout)["pairs"]
    assert len(found) == len(pairs)
    for (a, b), one in zip(pairs, found, strict=True):
        alone = json.loads(drive(valley, "--from", a, "--to", b, "--json").stdout)
        assert one == {name: alone[name] for name in ("time_s", "distance_m")}


def test_a_pair_without_a_way_is_null(tmp_path: Path) -> None:
    first = lattice(7, 7)
    nodes = dict(first.nodes) | {n + 100: (r, c + 12) for n, (r, c) in first.nodes.items()}
    ways = dict(first.ways) | {
        n + 100: ([i + 100 for i in w], t) for n, (w, t) in first.ways.items()
    }
    extract = write(tmp_path / "islands.osm.pbf", first._replace(nodes=nodes, ways=ways))
    here, there, nowhere = place(0, 0), place(0, 14), (0.0, 0.0)
    table = tmp_path / "pairs.csv"
    rows = [(here, there), (here, place(3, 3)), (here, nowhere), (nowhere, here)]
    table.write_text("\ufeff" + HEADER + "".join(f"{a[0]},{a[1]},{b[0]},{b[1]}\n" for a, b in rows))
    found = json.loads(drive(str(extract), "--pairs", str(table)).stdout)["pairs"]
    assert [one is None for one in found] == [True, False, True, True]
    result = drive(str(extract), "--from", "38,-98", "--to", "38,-97.86")
    assert result.exit_code != 0
    assert "no way by car leads" in result.output
    result = drive(str(extract), "--from", "0,0", "--to", "38,-98")
    assert result.exit_code != 0
    assert "--from: no road" in result.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--from", VADUZ], "--from LAT,LON and --to LAT,LON"),
        (["--from", "here", "--to", VADUZ], "--from: LAT,LON in degrees expected"),
        (["--from", "91,9", "--to", VADUZ], "latitude -90 to 90"),
        (["--from", "nan,9", "--to", VADUZ], "latitude -90 to 90"),
        (["--from", VADUZ, "--to", "47.1"], "--to: LAT,LON in degrees expected"),
        (["--pairs", "none.csv"], "none.csv: cannot be read"),
        (["--pairs", "none.csv", "--from", VADUZ], "--pairs"),
    ],
)
def test_what_is_typed_wrong_is_named(valley: str, arguments: list[str], words: str) -> None:
    result = drive(valley, *arguments)
    assert result.exit_code == 2
    assert words in result.output


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("lat,lon\n1,2\n", "from_lat is missing"),
        (HEADER + "47,9,47\n", "line 2"),
        (HEADER + "47,9,47,9\n47,9,47,east\n", "line 3"),
        ("", "from_lat is missing"),
    ],
)
def test_a_wrong_table_is_named(tmp_path: Path, valley: str, content: str, words: str) -> None:
    table = tmp_path / "pairs.csv"
    table.write_text(content)
    result = drive(valley, "--pairs", str(table))
    assert result.exit_code == 2
    assert words in result.output


def test_a_bad_extract_is_named(tmp_path: Path) -> None:
    path = tmp_path / "kansas.osm.pbf"
    path.write_bytes(VALLEY.read_bytes()[:100_000])
    result = drive(str(path), "--from", VADUZ, "--to", NENDELN)
    assert result.exit_code == 2
    assert "kansas.osm.pbf: cut short" in result.output
    assert "Traceback" not in result.output
