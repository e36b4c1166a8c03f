"""The web application: pages, what is read of the state, the crew's commands; other routes stand beside."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Callable
from typing import Any, TypeVar

from fastapi import FastAPI, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel, ValidationError
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware

from server.flight.inputs import seen_by
from server.flight.mission_state import State
from server.flight.road_state import Reach
from server.flight.view.winds import Winds
from server.geodata.basemap import Basemap
from server.screen.access import Access, ScreenSettings, TooLarge, asker, read_body
from server.screen.assets import WEB, Files, leaflet_folder, page, uplot_folder
from server.screen.beacon_routes import add_beacon_routes
from server.screen.cut import Cuts
from server.screen.feed import Feed, Refused
from server.screen.hub import Hub
from server.screen.keeping import add_keeping
from server.screen.key_routes import add_key_routes
from server.screen.limits import COMMANDS, WRONG_KEYS, Limits, Rate
from server.screen.maps import Terrain, add_maps
from server.screen.messages import Acknowledge, AssignVehicle, Control, PlaceVehicle, SayPhase
from server.screen.note_routes import add_note_routes
from server.screen.photo_routes import Photos, add_photo_routes
from server.screen.replay_routes import Recorded, add_replay_routes
from server.screen.replies import as_json, json_reply
from server.screen.sockets import add_socket
from server.screen.splices import whole_history
from server.screen.tokens import Tokens
from server.screen.watching import Kept, add_watching, sent

Body = TypeVar("Body", bound=BaseModel)


def create_app(
    feed: Feed,
    *,
    settings: ScreenSettings | None = None,
    basemap: Basemap | None = None,
    terrain: Terrain | None = None,
    bases: Callable[[], list[str]] = list,
    photos: Photos | None = None,
    recorded: Recorded | None = None,
    clock: Callable[[], float] = time.monotonic,
    described: bool = False,
) -> FastAPI:
    """`terrain` gives the ground's height in metres at a latitude and longitude, or None; `bases`
    the addresses under which other devices reach this station; `photos` of what was found; `recorded`
    what a replay has beside its state; `clock` the seconds, which only grow, by which the limits count;
    `described`: `openapi()` tells what is answered too, whose types take 40 ms of a start to look through."""
    settings = settings or ScreenSettings()
    limits = Limits(clock)
    basemap = basemap or Basemap()
    cuts = Cuts(clock)
    hub = Hub(feed, cuts=cuts, updates_per_s=settings.updates_per_s, beat_s=settings.beat_s)
    cuts.pages = lambda: hub.clients

    @contextlib.asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        publishing = asyncio.create_task(hub.run())
        yield
        publishing.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await publishing

    app = FastAPI(
        title="Leeward", docs_url=None, redoc_url=None, openapi_url=None, lifespan=lifespan
    )
    app.state.hub, app.state.cuts = hub, cuts
    app.add_middleware(GZipMiddleware, minimum_size=1_000, compresslevel=6)
    app.add_middleware(Access, settings=settings, limits=limits)

    def limit(rate: Rate, who: str) -> None:
        """HTTPException 429 when it is too often. A station without keys asks nobody."""
        wait_s = limits.wait_s(rate, who) if settings.keys is not None else 0
        if wait_s:
            headers = {"Retry-After": str(wait_s)}
            raise HTTPException(429, f"Too often. Ask again in {wait_s} s.", headers)

    _add_pages(app, () if basemap.online is None else (basemap.online.origin,))
    add_maps(app, basemap, terrain)
    add_replay_routes(app, recorded)
    past = Kept(lambda: as_json(whole_history(feed.history())))
    _add_reading(app, feed, hub, past, described=described)
    add_key_routes(app, settings, limits, bases)
    add_watching(
        app,
        hub.written,
        past,
        settings.keys,
        lambda request: limit(WRONG_KEYS, f"watch {asker(request.scope)}"),
    )

    def limited(request: Request) -> None:
        limit(COMMANDS, asker(request.scope))

    _add_commands(app, feed, settings, limited)
    add_note_routes(app, feed, limited)
    add_photo_routes(app, photos, limited)
    tokens = Tokens(limits, paced=settings.keys is not None)
    add_beacon_routes(app, feed, settings, limit, tokens)
    add_socket(app, hub, settings)
    return app


def _add_pages(app: FastAPI, image_origins: tuple[str, ...]) -> None:
    """`image_origins`: servers of map tiles that the plan names; no page asks any other host."""

    @app.get("/")
    async def index(request: Request) -> Response:
        return page("index.html", request, image_origins)

    @app.get("/walk")
    async def walk(request: Request) -> Response:
        return page("walk.html", request)

    @app.get("/show")
    async def show(request: Request) -> Response:
        return page("show.html", request)

    @app.get("/favicon.ico")
    async def favicon() -> Response:
        return RedirectResponse("/web/icon.svg", status_code=308)

    add_keeping(app)
    app.mount("/web", Files(directory=WEB, at="/web/"))
    app.mount("/lib/leaflet", Files(directory=leaflet_folder(), at="/lib/leaflet/"))
    app.mount("/lib/uplot", Files(directory=uplot_folder(), at="/lib/uplot/"))


def _add_reading(app: FastAPI, feed: Feed, hub: Hub, past: Kept, *, described: bool) -> None:
    def answers(model: type[object]) -> type[object] | None:
        return model if described else None

    @app.get("/api/state", response_model=answers(State))
    async def state() -> Response:
        return json_reply(feed.state())

    @app.get("/api/history")
    async def history(request: Request) -> Response:
        """Made once a second at most: whoever asks again and again took a core."""
        return sent(await past.answer(), request, {"Vary": "Accept-Encoding"})

    @app.get("/api/winds", response_model=answers(Winds))
    async def winds(flight: str = "") -> Response:
        found = feed.winds(flight)
        if found is None:
            raise HTTPException(404, "No landing is worked out for a flight of that name.")
        return json_reply(found)

    @app.get("/api/reach", response_model=answers(Reach))
    async def reach(vehicle: str) -> Response:
        """How far a vehicle gets in 10, 20 and 30 minutes, as lines of longitude and latitude."""
        found = await feed.reach(vehicle)
        if found is None:
            raise HTTPException(404, "No roads are known about a vehicle of that name.")
        return json_reply(found)

    @app.get("/healthz")
    async def health(request: Request) -> Response:
        """For a proxy or a watchdog; to those with a key it says more."""
        if request.state.role is None:
            return json_reply({"ok": True})
        told = {"mode": feed.mode, "number": feed.number, "clients": hub.clients}
        return json_reply({"ok": True, **told})


def _add_commands(
    app: FastAPI, feed: Feed, settings: ScreenSettings, limited: Callable[[Request], None]
) -> None:

    async def asked(request: Request, model: type[Body]) -> Body:
        limited(request)
        return await _read(request, model, settings.max_command_bytes)

    @app.post("/api/acknowledge", openapi_extra=_takes(Acknowledge))
    async def acknowledge(request: Request) -> Response:
        body = await asked(request, Acknowledge)
        if body.recall:
            return await _carry_out(feed.command("recall", body.id))
        return await _carry_out(feed.command("acknowledge", seen_by(body.id, body.by)))

    @app.post("/api/vehicle", openapi_extra=_takes(PlaceVehicle))
    async def vehicle(request: Request) -> Response:
        body = await asked(request, PlaceVehicle)
        return await _carry_out(
            feed.command("vehicle", body.name, body.latitude_deg, body.longitude_deg)
        )

    @app.post("/api/phase", openapi_extra=_takes(SayPhase))
    async def phase(request: Request) -> Response:
        body = await asked(request, SayPhase)
        return await _carry_out(feed.command("phase", body.said, flight=body.flight))

    @app.post("/api/assign", openapi_extra=_takes(AssignVehicle))
    async def assign(request: Request) -> Response:
        body = await asked(request, AssignVehicle)
        return await _carry_out(feed.command("assign", body.name, flight=body.flight))

    @app.post("/api/replay", openapi_extra=_takes(Control))
    async def replay(request: Request) -> Response:
        body = await asked(request, Control)
        return await _carry_out(feed.control(body.action, body.value))


async def _read(request: Request, model: type[Body], limit_bytes: int) -> Body:
    try:
        return model.model_validate_json(await read_body(request, limit_bytes))
    except TooLarge:
        raise HTTPException(413, f"At most {limit_bytes:,} bytes.") from None
    except ValidationError as wrong:
        first = wrong.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "body"
        raise HTTPException(422, f"{where}: {first['msg']}") from None


def _takes(model: type[BaseModel]) -> dict[str, Any]:
    """What a body is, for the description of the interface: bodies are read by hand, up to a limit."""
    schema = model.model_json_schema()
    return {"requestBody": {"required": True, "content": {"application/json": {"schema": schema}}}}


async def _carry_out(work: Any) -> Response:
    try:
        await work
    except (Refused, ValueError) as refused:
        raise HTTPException(409, str(refused)) from None
    return json_reply({"ok": True})
