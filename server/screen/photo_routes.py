"""Photos of what was found: put by the crew alone (`access`), seen by whoever may see the flight."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Protocol

from fastapi import FastAPI, Request
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from server.screen.access import TooLarge, read_body
from server.screen.replies import json_reply

KEPT = {"Cache-Control": "private, max-age=86400, immutable"}  # its name is its content


class KeptPhoto(Protocol):
    @property
    def body(self) -> bytes: ...

    @property
    def media_type(self) -> str: ...


class Photos(Protocol):
    """Whoever keeps them; the screen knows no folder."""

    @property
    def most_bytes(self) -> int: ...

    def keep(self, body: bytes) -> str:
        """Its name. ValueError: no photo, or one too many; OSError: the disk refuses."""

    def of(self, name: str) -> KeptPhoto | None: ...


def add_photo_routes(
    app: FastAPI, photos: Photos | None, limited: Callable[[Request], None]
) -> None:
    """`photos` None: none are kept here. `limited` raises HTTPException 429."""

    @app.post("/api/photo")
    async def put(request: Request) -> Response:
        limited(request)
        if photos is None:
            raise HTTPException(409, "No photos are kept here.")
        try:
            body = await read_body(request, photos.most_bytes)
            name = await asyncio.to_thread(photos.keep, body)
        except TooLarge:
            raise HTTPException(413, f"At most {photos.most_bytes:,} bytes.") from None
        except ValueError as error:
            raise HTTPException(422, str(error)) from None
        except OSError as error:
            raise HTTPException(503, f"It cannot be written: {error.strerror}.") from None
        return json_reply({"photo": name}, status=201)

    @app.get("/api/photo/{name}")
    async def get(name: str) -> Response:
        found = None if photos is None else await asyncio.to_thread(photos.of, name)
        if found is None:
            raise HTTPException(404, "That photo is not kept at this station.")
        return Response(found.body, media_type=found.media_type, headers=KEPT)
