"""What watchers can poll: the same bytes for everybody, so that an ordinary HTTP cache carries them.

The state and the history each have one answer a second at most, written and compressed once, with an
ETag, a short `max-age` and `stale-while-revalidate` (RFC 9110, 8.8.3; RFC 9111, 5.2; RFC 5861). The secret
of the watchers' link stands in the address, as a cache does not look at cookies.
"""

from __future__ import annotations

import asyncio
import gzip
import hashlib
import hmac
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import format_datetime

from fastapi import FastAPI, Request
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from server.screen.keys import Keys

EVERY_S = 1.0  # an answer is made anew no more often
STATE_AGE_S, HISTORY_AGE_S = 2, 20  # for which a cache may give it out
OPEN = "open"  # where the station has no keys


@dataclass(frozen=True)
class Answer:
    etag: str
    body: bytes
    packed: bytes
    made: datetime


class Kept:
    """The last answer; `write` makes its bytes. Whoever asks meanwhile gets the one that is under way."""

    def __init__(self, write: Callable[[], bytes]) -> None:
        self._write, self._made_s = write, -EVERY_S
        self._answer: Answer | None = None
        self._busy = asyncio.Lock()

    async def answer(self) -> Answer:
        async with self._busy:
            if self._answer is None or time.monotonic() - self._made_s >= EVERY_S:
                body = self._write()
                tag = hashlib.sha256(body).hexdigest()[:24]
                if self._answer is None or self._answer.etag != f'"{tag}"':
                    packed = await asyncio.to_thread(gzip.compress, body, 5)
                    self._answer = Answer(f'"{tag}"', body, packed, datetime.now(UTC))
                self._made_s = time.monotonic()
            return self._answer


def sent(answer: Answer, request: Request, headers: dict[str, str]) -> Response:
    """Compressed once for all who take it so."""
    packed = "gzip" in request.headers.get("accept-encoding", "")
    headers["Content-Encoding"] = (
        "gzip" if packed else "identity"
    )  # or it is compressed for each who asks
    body = answer.packed if packed else answer.body
    return Response(body, media_type="application/json", headers=headers)


def watch_path(keys: Keys | None) -> str:
    """Where watchers poll: its last part is made from their key, and does not tell it."""
    if keys is None:
        return f"/watch/{OPEN}"
    ticket = hmac.new(keys.watch.encode(), b"leeward: where watchers poll", hashlib.sha256)
    return f"/watch/{ticket.hexdigest()[:32]}"


def add_watching(
    app: FastAPI,
    write: Callable[[], bytes],
    past: Kept,
    keys: Keys | None,
    wrong: Callable[[Request], None],
) -> None:
    """`write` gives the state, `past` the whole history; `wrong` counts an address that is none, and raises
    HTTPException 429 at too many."""
    token = watch_path(keys).rpartition("/")[2]

    kept = {
        "state": (Kept(write), STATE_AGE_S),
        "history": (past, HISTORY_AGE_S),
    }

    @app.get("/watch/{given}/{what}")
    async def watch(request: Request, given: str, what: str) -> Response:
        if what not in kept or not hmac.compare_digest(given.encode(), token.encode()):
            wrong(request)
            raise HTTPException(404, "Nobody watches at this address.")
        known, age_s = kept[what]
        answer = await known.answer()
        headers = {
            "Cache-Control": f"public, max-age={age_s}, stale-while-revalidate={5 * age_s}",
            "ETag": answer.etag,
            "Last-Modified": format_datetime(answer.made, usegmt=True),
            "Vary": "Accept-Encoding",
        }
        if answer.etag in request.headers.get("if-none-match", ""):
            return Response(status_code=304, headers=headers)
        return sent(answer, request, headers)
