"""What lets a browser keep the page for when this station does not answer: its worker and its manifest.

Both say nothing of the flight and need no key. What the worker keeps, and for whom, stands beside it:
`web/service-worker.js`.
"""

from __future__ import annotations

import json

from fastapi import FastAPI
from fastapi.responses import Response

from server.screen import assets
from server.screen.assets import RELEASE, WORKER_POLICY

PAGES = ("/", "/walk", "/show")
# the night's ground and card: shown while the page starts
GROUND, BAR = "#0c0a08", "#15110d"


def add_keeping(app: FastAPI) -> None:
    RELEASE.name()  # worked out before anybody asks

    @app.get("/service-worker.js")
    async def service_worker() -> Response:
        """From the root, so that it serves every page. Its text differs with each release, by which a

        browser sees that there is another (W3C Service Workers, "Update")."""
        told = {"release": RELEASE.name(), "files": RELEASE.addresses(), "pages": PAGES}
        script = (assets.WEB / "service-worker.js").read_text(encoding="utf-8")
        headers = {"Cache-Control": "no-cache", "Content-Security-Policy": WORKER_POLICY}
        return Response(
            f"globalThis.LEEWARD = {json.dumps(told)};\n{script}",
            media_type="text/javascript; charset=utf-8",
            headers=headers,
        )

    @app.get("/manifest.webmanifest")
    async def manifest() -> Response:
        """W3C Web Application Manifest."""
        sizes = [("icon.svg", "any", "image/svg+xml")]
        sizes += [(f"icon-{px}.png", f"{px}x{px}", "image/png") for px in (192, 512)]
        described = {
            "id": "/",
            "name": "Leeward",
            "short_name": "Leeward",
            "description": "Follows a weather balloon's payload for the crew that chases it.",
            "start_url": "/",
            "scope": "/",
            "display": "standalone",
            "background_color": GROUND,
            "theme_color": BAR,
            "icons": [
                {"src": f"/web/{name}", "sizes": size, "type": kind} for name, size, kind in sizes
            ],
            "shortcuts": [
                {"name": "On foot", "url": "/walk"},
                {"name": "For a projector", "url": "/show"},
            ],
        }
        headers = {"Cache-Control": "no-cache"}
        return Response(
            json.dumps(described), media_type="application/manifest+json", headers=headers
        )
