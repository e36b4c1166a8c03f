"""The page's files: ours from `web/`, Leaflet and uPlot from the wheels that carry them.

Nothing is fetched from elsewhere, and each page's policy holds the browser to that.
"""

from __future__ import annotations

import asyncio
import base64
import gzip
import hashlib
import importlib.util
import mimetypes
import re
import stat
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

from server.screen.joining import joined, names_joined
from server.screen.release import MARK, Release, tag_of

WEB = Path(__file__).parents[2] / "web"

_IMPORT_MAP = re.compile(rb'<script type="importmap">(.*?)</script>', re.DOTALL)
# a worker has the policy that its own file comes with: our scripts, and questions to this station
WORKER_POLICY = "default-src 'none'; script-src 'self'; connect-src 'self'"
FOR_EVER = "public, max-age=31536000, immutable"
_TYPES = {".js": "text/javascript", ".json": "application/json", ".css": "text/css"}


def wheel_folder(package: str, inside: str) -> Path:
    """A folder of an installed package, found without importing it."""
    spec = importlib.util.find_spec(package)
    if spec is None or not spec.submodule_search_locations:
        raise FileNotFoundError(
            f"The package {package} is not installed: pip install leeward again."
        )
    return Path(spec.submodule_search_locations[0]) / inside


def leaflet_folder() -> Path:
    return wheel_folder("js_lib_leaflet", "static/js_lib_leaflet")


def uplot_folder() -> Path:
    return wheel_folder("youplot", "vendor")


def _places() -> dict[str, tuple[Path, tuple[str, ...] | None]]:
    return {
        "/web/": (WEB, None),
        "/lib/leaflet/": (leaflet_folder(), ("leaflet.js", "leaflet.css")),
        "/lib/uplot/": (uplot_folder(), ("uplot.iife.min.js", "uplot.min.css")),
    }


RELEASE = Release(_places, lambda: joined(WEB))


@dataclass(frozen=True, slots=True)
class _Kept:
    stamp: tuple[int, int] | str  # time of change and size; of what was joined its tag
    tag: str
    kind: str
    body: bytes
    packed: bytes


class Files(StaticFiles):
    """Files kept in memory, packed once.

    A file that is asked for by its release may be kept for ever, and is sent of that release alone; by its
    plain name the browser must ask about it each time.
    """

    def __init__(self, *, directory: Path, at: str = "") -> None:
        """`at`: the address of the folder."""
        super().__init__(directory=directory)
        self._at = at
        self._kept: dict[str, _Kept] = {}

    async def get_response(self, path: str, scope: Scope) -> Response:
        if scope["method"] not in ("GET", "HEAD"):
            raise HTTPException(405)
        first, _, rest = path.partition("/")
        release = first.removeprefix(MARK) if first.startswith(MARK) else None
        path = path if release is None else rest
        kept = await asyncio.to_thread(self._read, path)  # packing a script takes 15 ms
        if release is not None and not RELEASE.holds(release, self._at + path, kept.tag):
            raise HTTPException(404, "This file is of another release now. Load the page again.")
        term = "no-cache" if release is None else FOR_EVER
        headers = {"Cache-Control": term, "ETag": f'"{kept.tag}"', "Vary": "Accept-Encoding"}
        if path.endswith("worker.js"):
            headers["Content-Security-Policy"] = WORKER_POLICY
        asked = Headers(scope=scope)
        if asked.get("if-none-match") == f'"{kept.tag}"':
            return Response(status_code=304, headers=headers)
        if "gzip" in asked.get("accept-encoding", "") and len(kept.packed) < len(kept.body):
            packed = headers | {"Content-Encoding": "gzip"}
            return Response(kept.packed, media_type=kept.kind, headers=packed)
        return Response(kept.body, media_type=kept.kind, headers=headers)

    def _read(self, path: str) -> _Kept:
        made = RELEASE.made(self._at + path)
        if made is not None:
            tag, body = made
            return self._keep(path, tag, lambda: body)
        try:
            full, found = self.lookup_path(path)  # never outside the folder
            if found is None or not stat.S_ISREG(found.st_mode):
                raise HTTPException(404)
            stamp = (found.st_mtime_ns, found.st_size)
            return self._keep(full, stamp, Path(full).read_bytes)
        except (OSError, ValueError):
            raise HTTPException(404) from None

    def _keep(self, name: str, stamp: tuple[int, int] | str, read: Callable[[], bytes]) -> _Kept:
        kept = self._kept.get(name)
        if kept is None or kept.stamp != stamp:
            body = read()
            packed = gzip.compress(body, 9, mtime=0)
            self._kept[name] = kept = _Kept(stamp, tag_of(body), _kind_of(name), body, packed)
        return kept


def _kind_of(path: str) -> str:
    """The machine's own table of types may be wrong about what a page cannot do without."""
    kind = _TYPES.get(Path(path).suffix)
    if kind is not None:
        return f"{kind}; charset=utf-8"
    return mimetypes.guess_type(path)[0] or "application/octet-stream"


_pages: dict[str, tuple[str, bytes]] = {}  # by name: release and body


def page(name: str, request: Request, image_origins: tuple[str, ...] = ()) -> Response:
    """One HTML page with its policy. Raises 404 for a page that is not there, and 503 in the middle of an

    update."""
    try:
        release = RELEASE.name()
    except (OSError, ValueError) as error:
        said = "The page's files do not fit together: an update is under way? Load the page again."
        raise HTTPException(503, said) from error
    held, body = _pages.get(name, ("", b""))
    if held != release:
        try:
            source = (WEB / name).read_text(encoding="utf-8")
            body = RELEASE.written_into(names_joined(name, source).encode())
        except FileNotFoundError:
            raise HTTPException(404, "There is no such page.") from None
        _pages[name] = (release, body)
    tag = f'"{tag_of(body)}"'
    headers = {
        "Cache-Control": "no-cache",
        "ETag": tag,
        "Content-Security-Policy": page_policy(body, image_origins),
        "Leeward-Release": release,
    }
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(body, media_type="text/html; charset=utf-8", headers=headers)


def page_policy(body: bytes, image_origins: tuple[str, ...] = ()) -> str:
    """Only our own files, and images of the named origins; of scripts in the page only its import

    map, known by its hash."""
    maps = (base64.b64encode(hashlib.sha256(text).digest()) for text in _IMPORT_MAP.findall(body))
    images = " ".join(("'self'", "data:", *image_origins))
    hashes = "".join(f" 'sha256-{digest.decode()}'" for digest in maps)
    return (
        f"default-src 'none'; script-src 'self'{hashes}; style-src 'self'; "
        f"img-src {images}; connect-src 'self'; font-src 'self'; manifest-src 'self'; "
        "frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
    )
