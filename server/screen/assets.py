"""The page's files: ours from `web/`, Leaflet and uPlot from the wheels that carry them.

Nothing is fetched from elsewhere, and each page's policy holds the browser to that.
"""

from __future__ import annotations

import base64
import hashlib
import importlib.util
import re
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

WEB = Path(__file__).parents[2] / "web"
# the golden messages that the demo page plays: there in a checkout, not in an installed package
WIRE_EXAMPLES = Path(__file__).parents[2] / "tests" / "wire"

_IMPORT_MAP = re.compile(rb'<script type="importmap">(.*?)</script>', re.DOTALL)
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


class Files(StaticFiles):
    """Files that the browser must ask about each time: an update of Leeward shows at once."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        response = await super().get_response(path, scope)
        response.headers["Cache-Control"] = "no-cache"
        kind = _TYPES.get(Path(path).suffix)  # the machine's own table of types may be wrong
        if kind is not None and response.status_code == 200:
            response.headers["Content-Type"] = f"{kind}; charset=utf-8"
        return response


def page(name: str, request: Request, image_origins: tuple[str, ...] = ()) -> Response:
    """One HTML page with its policy. Raises 404 for a page that is not there."""
    try:
        body = (WEB / name).read_bytes()
    except FileNotFoundError:
        raise HTTPException(404, "There is no such page.") from None
    tag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
    headers = {
        "Cache-Control": "no-cache",
        "ETag": tag,
        "Content-Security-Policy": page_policy(body, image_origins),
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
