"""What a pack is made of: a region of a map, heights, forecast fields, each whole or not at all."""

from __future__ import annotations

import gzip
import os
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from pmtiles.reader import MmapSource, Reader, all_tiles
from pmtiles.tile import TileType

from server.geodata.forecast import read_forecast
from server.geodata.pmtiles import PMTiles
from server.geodata.terrain import TerrainFolder
from server.outlook.pack import forecast_fields
from server.outlook.pack.forecast_fields import check_messages, newest_run, query, wanted_hours
from server.outlook.pack.ground_tiles import fetch_tile
from server.outlook.pack.map_cut import fetch_cut, plan_cut
from server.outlook.pack.region import region_around
from server.outlook.pack.transfer import Transfer, TransferError
from tests.geodata.map_files import pmtiles
from tests.outlook.pack.servers import HTML, ForecastFilter, answering, latest_run, nginx_over, send
from tests.outlook.pack.test_transfer import Patient, nothing, ranged

LAUNCH = (38.35, -98.2)
NOW = datetime(2026, 6, 6, 13, 30, tzinfo=UTC)
BOUNDS = (-100.0, 36.0, -96.0, 40.0)


@pytest.fixture
def transfer() -> Iterator[Patient]:
    with Patient() as one:
        yield one


@pytest.fixture(scope="module")
def large_map(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """So many tiles that its directory has leaves."""
    folder = tmp_path_factory.mktemp("map")
    return pmtiles(folder / "map.pmtiles", (-110.0, 25.0, -85.0, 45.0), range(4, 11))


def test_a_region_is_cut_out_and_its_tiles_are_the_same(
    large_map: Path, tmp_path: Path, transfer: Patient
) -> None:
    region = region_around([LAUNCH, (38.5, -97.0)], 20_000.0)
    into = tmp_path / "cut.pmtiles"
    come: list[int] = []
    with nginx_over(large_map.parent, tmp_path) as address:
        cut = plan_cut(transfer, f"{address}/{large_map.name}", region, 9)
        fetch_cut(transfer, cut, into, come.append)
        asked = (tmp_path / "access.log").read_text().count("GET")
    assert sum(come) == cut.bytes < large_map.stat().st_size / 20
    assert asked < 40
    assert cut.attribution == "© Invented Survey 2026"
    with large_map.open("rb") as whole, into.open("rb") as part:  # by the format's own library
        found = dict(all_tiles(MmapSource(part)))
        reader = Reader(MmapSource(whole))
        assert found == {at: reader.get(*at) for at in found}
        wanted = {(z, x, y) for z in range(4, 10) for x, y in region.tiles(z)}
        assert set(found) == {at for at in wanted if reader.get(*at) is not None}
    made = PMTiles(into)
    assert (made.info.min_zoom, made.info.max_zoom) == (4, 9)
    made.close()
    assert sorted(path.name for path in tmp_path.glob("cut*")) == ["cut.pmtiles"]


def test_a_broken_cut_leaves_the_old_map_and_goes_on(
    large_map: Path, tmp_path: Path, transfer: Patient
) -> None:
    body = large_map.read_bytes()
    region = region_around([LAUNCH], 60_000.0)
    into = tmp_path / "cut.pmtiles"
    into.write_bytes(b"the map of before")
    broken = False
    served: list[int] = []

    def answer(ask: object) -> None:
        if broken and len(served) > 2:
            send(ask, 500, b"")  # type: ignore[arg-type]
        else:
            served.append(1)
            ranged(ask, body, cut=2_000 if broken else None)  # type: ignore[arg-type]

    with answering(answer) as address:
        cut = plan_cut(transfer, address, region, 10)
        broken, served = True, []
        with pytest.raises(TransferError, match="given up"):
            fetch_cut(transfer, cut, into, nothing)
        assert into.read_bytes() == b"the map of before"
        begun = (tmp_path / "cut.pmtiles.part").stat().st_size
        assert begun > 0
        broken = False
        come: list[int] = []
        fetch_cut(transfer, cut, into, come.append)
    assert come[0] == begun
    PMTiles(into).close()


@pytest.mark.parametrize(
    "body",
    [HTML, b"PMTiles\x02" + bytes(500), os.urandom(2_000), b"P"],
    ids=["page", "version 2", "noise", "one byte"],
)
def test_another_file_in_the_place_of_a_map_is_named(body: bytes, transfer: Patient) -> None:
    with (
        answering(lambda ask: ranged(ask, body)) as address,
        pytest.raises(TransferError, match="PMTiles 3 file expected"),
    ):
        plan_cut(transfer, address, region_around([LAUNCH], 1_000.0), 10)


def test_a_map_cut_short_on_the_server_is_named(large_map: Path, transfer: Patient) -> None:
    body = large_map.read_bytes()[:200_000]
    with (
        answering(lambda ask: ranged(ask, body)) as address,
        pytest.raises(TransferError, match=r"beyond the end|PMTiles 3 file expected"),
    ):
        plan_cut(transfer, address, region_around([LAUNCH], 60_000.0), 10)


def test_a_map_of_elsewhere_is_named(large_map: Path, tmp_path: Path, transfer: Patient) -> None:
    with (
        nginx_over(large_map.parent, tmp_path) as address,
        pytest.raises(TransferError, match="nothing of where the flight goes"),
    ):
        plan_cut(transfer, f"{address}/{large_map.name}", region_around([(47.0, 9.5)], 1_000.0), 9)


def heights(metres: int) -> bytes:
    return np.full((1201, 1201), metres, dtype=">i2").tobytes()


def test_heights_are_unpacked_and_read(tmp_path: Path, transfer: Patient) -> None:
    root, folder = tmp_path / "root", tmp_path / "terrain"
    (root / "N38").mkdir(parents=True)
    folder.mkdir()
    (root / "N38" / "N38W099.hgt.gz").write_bytes(gzip.compress(heights(560), 1))
    with nginx_over(root, tmp_path) as address:
        where = address + "/{row}/{tile}.hgt.gz"
        assert fetch_tile(transfer, where, "N38W099", folder, nothing)
        assert not fetch_tile(transfer, where, "N38W120", folder, nothing)
    assert [path.name for path in folder.iterdir()] == ["N38W099.hgt"]
    assert TerrainFolder(folder)(38.351, -98.201) == 560.0


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (HTML, "it begins with"),
        (gzip.compress(heights(1), mtime=0)[:-50], "end-of-stream"),
        (gzip.compress(heights(1), mtime=0)[:-8] + bytes(8), "CRC check failed"),
        (gzip.compress(bytes(1_000), mtime=0), "not 1,000"),
        (gzip.compress(bytes(40_000_000), 1, mtime=0), "bytes expected"),
    ],
    ids=["page", "cut", "wrong sum", "short", "long"],
)
def test_no_half_height_tile_is_used(
    body: bytes, words: str, tmp_path: Path, transfer: Patient
) -> None:
    with (
        answering(lambda ask: send(ask, 200, body)) as address,
        pytest.raises(TransferError, match=words),
    ):
        fetch_tile(transfer, address + "/{tile}", "N38W099", tmp_path, nothing)
    assert list(tmp_path.iterdir()) == []


def test_the_query_is_that_of_the_service() -> None:
    """As its page for scripts shows it; from memory, the service was not reached from here."""
    asked = query(
        "https://host/filter", forecast_fields.Wanted(NOW.timestamp() - 5_400.0, 6), BOUNDS
    )
    assert asked.startswith(
        "https://host/filter?dir=%2Fgfs.20260606%2F12%2Fatmos&file=gfs.t12z.pgrb2.0p25.f006"
    )
    for part in ("var_UGRD=on", "lev_500_mb=on", "subregion=", "leftlon=-100", "toplat=40"):
        assert part in asked


def test_the_hours_enclose_the_flight() -> None:
    run_s = NOW.timestamp() // 21_600.0 * 21_600.0
    near = wanted_hours(run_s, run_s + 5.5 * 3_600.0, run_s + 7.2 * 3_600.0)
    assert [one.hour for one in near] == [5, 6, 7, 8]
    far = wanted_hours(run_s, run_s + 130.5 * 3_600.0, run_s + 133.0 * 3_600.0)
    assert [one.hour for one in far] == [129, 132, 135]
    assert wanted_hours(run_s, run_s + 390 * 3_600.0, run_s + 395 * 3_600.0) == []


def test_the_latest_run_that_is_whole_is_taken(tmp_path: Path, transfer: Transfer) -> None:
    latest = latest_run(NOW)
    service = ForecastFilter(latest)
    window = (NOW + timedelta(hours=3)).timestamp(), (NOW + timedelta(hours=4)).timestamp()
    with answering(service) as address:
        hours = newest_run(
            transfer, address, NOW.timestamp(), window, BOUNDS, tmp_path / "hours", nothing
        )
        assert {one.run_s for one in hours} == {latest.timestamp()}
        files = [
            forecast_fields.fetch_hour(transfer, address, one, BOUNDS, tmp_path / "hours", nothing)
            for one in hours
        ]
        asked = len(service.asked)
        again = forecast_fields.fetch_hour(
            transfer, address, hours[0], BOUNDS, tmp_path / "hours", nothing
        )
        assert again == files[0]
        assert len(service.asked) == asked  # what is there is not fetched again
    forecast_fields.join_hours(files, tmp_path / "winds.grib2")
    winds = read_forecast(tmp_path / "winds.grib2")
    altitude_m, east_ms, _ = winds.profile(*LAUNCH, window[0])
    assert altitude_m[-1] > 28_000.0
    assert np.isfinite(east_ms).all()


def test_no_page_and_no_cut_message_is_a_forecast() -> None:
    for wrong in (b"", HTML, b"GRIB\0\0\0\x02" + (100).to_bytes(8, "big") + bytes(50)):
        with pytest.raises(ValueError, match=r"begins with|cut short|nothing came"):
            check_messages(wrong)


def test_vector_tiles_are_cut_as_they_are(tmp_path: Path, transfer: Patient) -> None:
    root = tmp_path / "root"
    root.mkdir()
    pmtiles(root / "v.pmtiles", (-99.0, 38.0, -97.0, 39.0), range(5, 8), kind=TileType.MVT)
    with nginx_over(root, tmp_path) as address:
        cut = plan_cut(transfer, f"{address}/v.pmtiles", region_around([LAUNCH], 1_000.0), 8)
    assert cut.header["tile_type"] == TileType.MVT
