"""What a pack needs and what of it is there: the forecast, then map and heights of where it can end."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from server.geodata.forecast import read_forecast
from server.geodata.forecast_winds import ForecastError
from server.geodata.packed import (
    Kind,
    PackedFile,
    PackError,
    PackList,
    digest,
    fault_of,
    read_list,
    write_list,
)
from server.outlook.pack import forecast_fields
from server.outlook.pack.ground_tiles import fetch_tile, tile_names, tile_url
from server.outlook.pack.map_cut import Cut, fetch_cut, plan_cut
from server.outlook.pack.part_file import forget
from server.outlook.pack.region import Region
from server.outlook.pack.services import Service, dated
from server.outlook.pack.transfer import NotThere, Progress, Transfer, TransferError

MAP, TERRAIN, FORECAST = "map.pmtiles", "terrain", "forecast.grib2"
MAP_DAYS = 30.0  # a map so old that covers all is not fetched again; our choice
SPARE_BYTES = 100_000_000  # stay free: the journal needs them


@dataclass(frozen=True)
class Need:
    """One thing to be fetched, on its `terms`. `bytes`: None where the server does not tell."""

    kind: Kind
    name: str
    terms: str
    bytes: int | None
    about: bool  # the size is an estimate
    fetch: Callable[[Progress], None]


class Packing:
    """The folder of one plan's pack, and the services that fill it."""

    def __init__(self, folder: Path, transfer: Transfer, now_s: float) -> None:
        """PackError where the folder cannot be made."""
        self.folder, self._transfer, self._now_s = folder, transfer, now_s
        try:
            (folder / TERRAIN).mkdir(parents=True, exist_ok=True)
            self._list = read_list(folder)
        except OSError as error:
            raise PackError(f"{folder}: cannot be made: {error.strerror or error}") from error
        except PackError:
            self._list = PackList()  # what it named is checked by nothing, and fetched anew

    @property
    def listed(self) -> PackList:
        return self._list

    def forecast(
        self, service: Service, window_s: tuple[float, float], bounds: tuple[float, ...]
    ) -> Need:
        """Fields of wind and height from before the launch to after the landing, around the site."""
        hours = int((window_s[1] - window_s[0]) / 3_600.0) + 2
        west, south, east, north = bounds
        box = (west, south, east, north)
        weight = forecast_fields.about_bytes(box, hours)

        def fetch(progress: Progress) -> None:
            parts = self.folder / "forecast-hours"
            wanted = forecast_fields.newest_run(
                self._transfer, service.address, self._now_s, window_s, box, parts, progress
            )
            files = [
                forecast_fields.fetch_hour(
                    self._transfer, service.address, one, box, parts, progress
                )
                for one in wanted
            ]
            fresh = self.folder / (FORECAST + ".whole")
            forecast_fields.join_hours(files, fresh)
            try:
                read_forecast(fresh)
            except ForecastError as error:
                for file in (*files, fresh):
                    forget(file)
                raise TransferError(f"{service.address}: {error}") from error
            fresh.replace(self.folder / FORECAST)
            run = datetime.fromtimestamp(wanted[0].run_s, UTC)
            corners = ((south, west), (south, east), (north, east), (north, west))
            self._put("forecast", FORECAST, service, corners, f"run of {run:%Y-%m-%d %H} UTC")
            self._only(parts, files)

        return Need("forecast", "winds", service.terms, weight, about=True, fetch=fetch)

    def map(self, service: Service, region: Region, most_zoom: int) -> list[Need]:
        """The region of a map; nothing where what is there covers it. TransferError."""
        for file in self._list.of("map"):
            young = self._now_s - file.fetched.timestamp() < MAP_DAYS * 86_400.0
            covers = file.outline and Region(file.outline).holds(region)
            if young and covers and file.detail == f"to zoom {most_zoom}" and self._sound(file):
                return []
        cut = self._cut(service, region, most_zoom)

        def fetch(progress: Progress) -> None:
            fetch_cut(self._transfer, cut, self.folder / MAP, progress)
            used = Service(cut.remote.url, cut.attribution or service.terms)
            self._put("map", MAP, used, region.outline, f"to zoom {most_zoom}")

        return [Need("map", "map", service.terms, cut.bytes, about=False, fetch=fetch)]

    def terrain(self, service: Service, region: Region) -> list[Need]:
        """A need for each tile that is not there. TransferError."""
        there = {file.file for file in self._list.of("terrain") if self._sound(file)}
        needs = []
        for name in tile_names(region):
            if f"{TERRAIN}/{name}.hgt" not in there:
                try:
                    size = self._transfer.size(tile_url(service.address, name))
                except NotThere:
                    continue  # the open sea
                fetch = self._tile(service, name)
                named = f"heights {name}"
                needs.append(Need("terrain", named, service.terms, size, about=False, fetch=fetch))
        return needs

    def room_bytes(self) -> int:
        """What the disk can take beside what the journal needs."""
        return shutil.disk_usage(self.folder).free - SPARE_BYTES

    def _tile(self, service: Service, name: str) -> Callable[[Progress], None]:
        def fetch(progress: Progress) -> None:
            folder = self.folder / TERRAIN
            if fetch_tile(self._transfer, service.address, name, folder, progress):
                self._put("terrain", f"{TERRAIN}/{name}.hgt", service, (), name)

        return fetch

    def _cut(self, service: Service, region: Region, most_zoom: int) -> Cut:
        missing: NotThere | None = None
        for address in dated(service.address, self._now_s):
            try:
                return plan_cut(self._transfer, address, region, most_zoom)
            except NotThere as error:
                missing = error
        assert missing is not None  # there is one address at least
        raise missing

    def _sound(self, file: PackedFile) -> bool:
        return fault_of(self.folder, file, thorough=True) is None

    def _put(
        self,
        kind: Kind,
        name: str,
        service: Service,
        outline: tuple[tuple[float, float], ...],
        detail: str,
    ) -> None:
        path = self.folder / name
        file = PackedFile(
            kind=kind,
            file=name,
            bytes=path.stat().st_size,
            sha256=digest(path),
            source=service.address,
            licence=service.terms,
            fetched=datetime.fromtimestamp(self._now_s, UTC),
            outline=outline,
            detail=detail,
        )
        self._list = self._list.put(file)
        write_list(self.folder, self._list)

    @staticmethod
    def _only(folder: Path, wanted: list[Path]) -> None:
        """Hours of an older run go."""
        keep = {path.stem for path in wanted}
        for path in folder.iterdir():
            if path.stem not in keep:
                path.unlink()
