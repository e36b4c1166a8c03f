"""Doors for those with a key: a browser shows it once; the crew sees the links to hand on."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import FastAPI, Query, Request
from fastapi.responses import JSONResponse, Response
from pydantic import ValidationError

from server.screen.access import ScreenSettings, TooLarge, asker, read_body, too_often
from server.screen.assets import page
from server.screen.keys import COOKIE, COOKIE_AGE_S, is_loopback
from server.screen.limits import WRONG_KEYS, Limits
from server.screen.links import BASE, described, links_of
from server.screen.messages import Enter
from server.screen.replies import json_reply
from server.screen.watching import watch_path


def add_key_routes(
    app: FastAPI,
    settings: ScreenSettings,
    limits: Limits,
    bases: Callable[[], list[str]],
) -> None:
    """`bases`: addresses under which other devices reach this station."""

    @app.post("/api/enter")
    async def enter(request: Request) -> Response:
        """A key for a cookie."""
        keys = settings.keys
        try:
            asked = Enter.model_validate_json(await read_body(request, settings.max_command_bytes))
        except TooLarge:
            return JSONResponse({"detail": "That is too long for a key."}, 413)
        except ValidationError:
            return JSONResponse({"detail": "A key is expected."}, 422)
        # asked again: of many whose heads came together, none may have been wrong yet
        wait_s = 0 if keys is None else limits.exhausted(WRONG_KEYS, asker(request.scope))
        if wait_s:
            return too_often(wait_s)
        role = "crew" if keys is None else keys.role_of(asked.key)
        if role is None or keys is None:
            if keys is None:
                return JSONResponse({"role": "crew"})
            wait_s = limits.wait_s(WRONG_KEYS, asker(request.scope))
            if wait_s:
                return too_often(wait_s)
            return JSONResponse({"detail": "That key opens nothing here. Ask the crew again."}, 403)
        response = JSONResponse({"role": role})
        response.set_cookie(
            COOKIE,
            keys.cookie(role),
            max_age=COOKIE_AGE_S,
            httponly=True,
            samesite="strict",
            secure=request.url.scheme == "https",
        )
        return response

    @app.get("/api/me")
    async def me(request: Request) -> Response:
        """What this reader may do."""
        return json_reply(
            {
                "role": request.state.role,
                "links": settings.keys is not None,
                "watch": watch_path(settings.keys),
                "owner": "open"
                if settings.keys is None
                else settings.keys.owner(request.state.role),
            }
        )

    @app.get("/links")
    async def links_page(request: Request) -> Response:
        return page("links.html", request)

    @app.get("/api/links")
    async def links(request: Request, base: Annotated[str, Query(max_length=500)] = "") -> Response:
        """The links for one address of this station, with their codes."""
        if settings.keys is None:
            return JSONResponse({"detail": "This station has no keys: it asks nobody."}, 404)
        known = bases()
        asked_at = f"{request.url.scheme}://{request.url.netloc}"
        local = is_loopback(request.url.hostname or "")  # of no use to another device
        chosen = base or (known[0] if local and known else asked_at)
        if not BASE.fullmatch(chosen):
            return JSONResponse({"detail": "An address as http://host:port is expected."}, 422)
        offered = list(dict.fromkeys([chosen, *known]))
        return json_reply(
            {
                "base": chosen,
                "bases": offered,
                "links": described(links_of(settings.keys, settings.beacons), chosen),
            }
        )
