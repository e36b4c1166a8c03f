"""Whom a pack is fetched from: a real nginx, one that speaks the forecast filter's query, bad ones."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

from tests.geodata.extras import require_module
from tests.nginx import nginx
from tests.outlook.test_trajectory import REAL
from tests.session.running import free_port

NAMES = {"HGT": "gh", "UGRD": "u", "VGRD": "v"}
HTML = b"<!DOCTYPE html><html><body>data file is not present</body></html>"


@contextlib.contextmanager
def nginx_over(root: Path, folder: Path) -> Iterator[str]:
    """Debian's nginx serving a folder; its address."""
    port = free_port()
    with nginx(folder, port, f"  server {{ listen 127.0.0.1:{port}; root {root}; }}"):
        yield f"http://127.0.0.1:{port}"


@contextlib.contextmanager
def answering(answer: Callable[[BaseHTTPRequestHandler], None]) -> Iterator[str]:
    """A server of one thread a request, that answers as it is told."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            with contextlib.suppress(BrokenPipeError, ConnectionResetError):
                answer(self)

        do_HEAD = do_GET  # noqa: N815  the name is http.server's

        def log_message(self, *_: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, args=(0.01,))
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def send(ask: BaseHTTPRequestHandler, code: int, body: bytes, **headers: str) -> None:
    """A whole answer; of a header's name `_` stands for `-`."""
    ask.send_response(code)
    for name, value in ({"content_length": str(len(body))} | headers).items():
        ask.send_header(name.replace("_", "-"), value)
    ask.end_headers()
    if ask.command != "HEAD":
        ask.wfile.write(body)


class ForecastFilter:
    """The query of the forecast filter, answered with cuts of a real GRIB2 file, dated as asked.

    Runs younger than `latest` are not there.
    """

    def __init__(self, latest: datetime) -> None:
        self.latest, self.asked = latest, list[str]()
        self._codes = require_module("eccodes", "grib")

    def __call__(self, ask: BaseHTTPRequestHandler) -> None:
        query = {k: v[0] for k, v in parse_qs(urlsplit(ask.path).query, True).items()}
        self.asked.append(query["file"])
        run = datetime.strptime(query["dir"], "/gfs.%Y%m%d/%H/atmos").replace(tzinfo=UTC)
        named, hour = query["file"].rsplit(".f", 1)
        assert named == f"gfs.t{run:%H}z.pgrb2.0p25", query["file"]
        if run > self.latest:
            return send(ask, 404, HTML)
        return send(ask, 200, self._cut(query, run, int(hour)))

    def _cut(self, query: dict[str, str], run: datetime, hour: int) -> bytes:
        codes, found = self._codes, []
        fields = {NAMES[k.removeprefix("var_")] for k in query if k.startswith("var_")}
        levels = {int(k.split("_")[1]) for k in query if k.startswith("lev_")}
        assert "subregion" in query
        with REAL.open("rb") as file:
            codes.codes_grib_multi_support_on()
            while (message := codes.codes_grib_new_from_file(file)) is not None:
                name, level = (codes.codes_get(message, k) for k in ("shortName", "level"))
                if name in fields and level in levels:
                    self._area(message, query)
                    valid = {
                        "dataDate": int(f"{run:%Y%m%d}"),
                        "dataTime": run.hour * 100,
                        "forecastTime": hour,
                    }
                    for key, value in valid.items():
                        codes.codes_set(message, key, value)
                    found.append(codes.codes_get_message(message))
                codes.codes_release(message)
            codes.codes_grib_multi_support_off()
        return b"".join(found)

    def _area(self, message: Any, query: dict[str, str]) -> None:
        """Rows from the north and columns from the west that lie in the area, 2.5 degrees apart."""
        codes = self._codes
        ni, nj = codes.codes_get(message, "Ni"), codes.codes_get(message, "Nj")
        values = codes.codes_get_values(message).reshape(nj, ni)
        north, west = (
            codes.codes_get(message, f"{k}OfFirstGridPointInDegrees")
            for k in ("latitude", "longitude")
        )
        rows = [
            j
            for j in range(nj)
            if float(query["bottomlat"]) - 2.5 < north - 2.5 * j < float(query["toplat"]) + 2.5
        ]
        columns = [
            i
            for i in range(ni)
            if float(query["leftlon"]) - 2.5
            < (west + 2.5 * i + 180.0) % 360.0 - 180.0
            < float(query["rightlon"]) + 2.5
        ]
        for key, value in {
            "Ni": len(columns),
            "Nj": len(rows),
            "latitudeOfFirstGridPointInDegrees": north - 2.5 * rows[0],
            "latitudeOfLastGridPointInDegrees": north - 2.5 * rows[-1],
            "longitudeOfFirstGridPointInDegrees": west + 2.5 * columns[0],
            "longitudeOfLastGridPointInDegrees": west + 2.5 * columns[-1],
        }.items():
            codes.codes_set(message, key, value)
        inside = values[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        codes.codes_set_values(message, inside.ravel())


def latest_run(now: datetime) -> datetime:
    """The run that is six hours old or a little more."""
    old = now - timedelta(hours=6)
    return old.replace(hour=old.hour // 6 * 6, minute=0, second=0, microsecond=0)
