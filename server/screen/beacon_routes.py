"""What phones and programs post: a beacon's positions, JSON of a source. On disk before it is looked at."""

from __future__ import annotations

from collections.abc import Callable

import orjson
from fastapi import FastAPI, Request
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from server.screen.access import ScreenSettings, TooLarge, read_body
from server.screen.assets import page
from server.screen.feed import Feed, NotStored, Refused
from server.screen.limits import BEACONS, Rate
from server.screen.replies import json_reply
from server.screen.tokens import Tokens


def add_beacon_routes(
    app: FastAPI,
    feed: Feed,
    settings: ScreenSettings,
    limit: Callable[[Rate, str], None],
    tokens: Tokens,
) -> None:
    """`limit` raises HTTPException 429 where somebody asks too often."""

    async def keep(source: str, request: Request) -> Response:
        limit(BEACONS, source)
        try:
            body = await read_body(request, settings.max_beacon_bytes)
        except TooLarge:
            raise HTTPException(
                413, f"At most {settings.max_beacon_bytes:,} bytes at a time: send fewer positions."
            ) from None
        if not body.strip():
            raise HTTPException(400, "The body is empty: expected a position as JSON.")
        try:
            number = await feed.receive(source, body)  # on disk before it is looked at
        except NotStored as problem:
            raise HTTPException(503, f"{problem} Keep it and send it again.") from None
        except Refused as refused:
            raise HTTPException(409, str(refused)) from None
        try:
            orjson.loads(body)
        except orjson.JSONDecodeError:
            detail = "Kept, but it is not JSON: no position could be read from it."
            return json_reply({"number": number, "detail": detail}, status=422)
        return json_reply({"number": number}, status=202)

    @app.get("/beacon/{token}")
    async def beacon_page(token: str, request: Request) -> Response:
        tokens.source(feed.phone_source, token, request)
        return page("beacon.html", request)

    @app.post("/api/beacon/{token}")
    async def beacon(token: str, request: Request) -> Response:
        return await keep(tokens.source(feed.phone_source, token, request), request)

    @app.post("/api/json/{token}")
    async def json_object(token: str, request: Request) -> Response:
        return await keep(tokens.source(feed.json_source, token, request), request)
