"""Doors beside a replay: where its events are, and its debrief, made when somebody asks."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Annotated, Literal, Protocol

from fastapi import FastAPI, Query, Request
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from server.screen.assets import page
from server.screen.replies import json_reply
from server.session.moments import Moments

# a debrief is a file of its own that asks nobody; here it has no origin, so that it can ask us neither
DEBRIEF_POLICY = (
    "sandbox allow-scripts; default-src 'none'; script-src 'unsafe-inline' data:; "
    "style-src 'unsafe-inline' data:; img-src data:; frame-ancestors 'none'; "
    "base-uri 'none'; form-action 'none'"
)


class Debrief(Protocol):
    """The debrief of the recording that is played."""

    def begin(self, zone: str, units: str) -> None:
        """Make it for this reader, unless it is being made or there. What failed is tried again."""

    def standing(self) -> dict[str, object]:
        """`state`: making, made or failed; `for_s`, `pages` (names) or `why`."""

    def read(self, name: str) -> bytes | None:
        """One of its pages; None: there is none of that name."""


@dataclass(frozen=True)
class Recorded:
    moments: Callable[[], Awaitable[Moments]]
    debrief: Debrief | None = None


def add_replay_routes(app: FastAPI, recorded: Recorded | None) -> None:
    @app.get("/api/moments", response_model=Moments)
    async def moments() -> Response:
        """Of a live flight none: what comes is not known."""
        return json_reply(Moments((), ()) if recorded is None else await recorded.moments())

    def debrief() -> Debrief:
        if recorded is None or recorded.debrief is None:
            raise HTTPException(404, "No recording is played here: `leeward debrief` makes one.")
        return recorded.debrief

    @app.get("/debrief")
    async def waiting(request: Request) -> Response:
        debrief()
        return page("debrief.html", request)

    @app.post("/api/debrief")
    async def making(
        zone: Annotated[str, Query(max_length=64)] = "",
        units: Literal["", "metric", "nautical", "us"] = "",
    ) -> Response:
        """Asked again and again until it is there; for whoever reads in that zone and those units."""
        debrief().begin(zone, units)
        return json_reply(debrief().standing())

    @app.get("/debrief/{name}")
    async def made(name: str) -> Response:
        body = debrief().read(name)
        if body is None:
            raise HTTPException(404, "There is no such page of the debrief.")
        headers = {"Content-Security-Policy": DEBRIEF_POLICY, "Cache-Control": "no-store"}
        return Response(body, media_type="text/html; charset=utf-8", headers=headers)
