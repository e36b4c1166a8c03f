"""The crew's notes of a search: posted by their pages, checked, on disk before they count; and declination.

Watchers cannot post (`access`). A note whose post was not answered is posted again with its `id`, and
counts once.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache

from fastapi import FastAPI, Request
from fastapi.responses import Response
from pygeomag import GeoMag
from starlette.exceptions import HTTPException

from decoders.notes import MAX_BODY_BYTES, SOURCE, decode_note
from decoders.reports import DecodeError
from server.screen.access import TooLarge, read_body
from server.screen.feed import Feed, NotStored, Refused
from server.screen.messages import Latitude, Longitude
from server.screen.replies import json_reply

_YEAR_S = 365.25 * 86_400.0


def add_note_routes(app: FastAPI, feed: Feed, limited: Callable[[Request], None]) -> None:
    """`limited` raises HTTPException 429 where somebody posts too often."""

    @app.post("/api/note")
    async def note(request: Request) -> Response:
        limited(request)
        try:
            body = await read_body(request, MAX_BODY_BYTES)
            decode_note(body)
            number = await feed.receive(SOURCE, body)
        except TooLarge:
            raise HTTPException(413, f"At most {MAX_BODY_BYTES:,} bytes.") from None
        except DecodeError as error:
            raise HTTPException(422, str(error)) from None
        except NotStored as problem:
            raise HTTPException(503, f"{problem} Keep it and send it again.") from None
        except Refused as refused:
            raise HTTPException(409, str(refused)) from None
        return json_reply({"number": number}, status=202)

    @app.get("/api/declination")
    async def declination(latitude_deg: Latitude, longitude_deg: Longitude) -> Response:
        """To be added to a magnetic bearing there and now; by the World Magnetic Model."""
        year = datetime.now(UTC).timestamp() / _YEAR_S + 1_970.0
        found = _model().calculate(
            glat=latitude_deg,
            glon=longitude_deg,
            alt=0,
            time=year,
            allow_date_outside_lifespan=True,
        )
        return json_reply({"declination_deg": round(found.d, 2), "model": _model().model})


@cache
def _model() -> GeoMag:
    return GeoMag()
