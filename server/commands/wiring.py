"""The one place where the real parts are put together: clock, disk, network, browser."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import gc
import logging
import time
import webbrowser
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import uvicorn

from server.commands.check import check_forecast
from server.commands.countdown import take_outlooks, watch_outlooks
from server.commands.debriefing import Debriefing
from server.commands.given import keys_of_run, maps_of
from server.commands.listen import Listening, addresses, free_port
from server.commands.roads import roads_for
from server.commands.sharing import Peering, open_ledger
from server.flight.inputs import Plan
from server.flight.mission import Mission
from server.flight.mission_state import Problem, ProblemKind
from server.flight.state import Units
from server.flight.times import rfc3339
from server.geodata.basemap import Basemap
from server.geodata.surroundings import Surroundings
from server.journal.database import JournalError
from server.journal.elsewhere import journal_elsewhere
from server.journal.ending import not_closed, tell_for_a_while
from server.journal.photos import Photos, photos_beside
from server.journal.recording import Recording
from server.journal.recover import not_before, open_journal
from server.journal.space import watch_space
from server.journal.unsaved import save_when_there_is_room
from server.plan.edits import watch_plan
from server.plan.file import PlanFile
from server.rehearsal.clock import follow
from server.screen.access import ScreenSettings
from server.screen.app import create_app
from server.screen.certificate import own_certificate, own_names
from server.screen.keys import Keys
from server.screen.replay_routes import Recorded
from server.screen.serve import uvicorn_server
from server.session.replay import Replay
from server.session.side_tasks import SideTask
from server.session.slices import look_for_new_garbage
from server.session.station import Station

log = logging.getLogger("leeward")


@dataclass(frozen=True)
class Face:
    """What a plan says of the page, and of who may see it."""

    basemap: Basemap = field(default_factory=Basemap)
    units: Units = "metric"
    hosts: tuple[str, ...] = ()
    keys: Keys | None = None
    beacons: tuple[tuple[str, str], ...] = ()
    photos: Photos | None = None  # of what was found


def face_of(plan: PlanFile, path: Path) -> Face:
    """The plan's maps, opened from its folder, its units and keys. A bad map is a problem, no error;

    KeysError."""
    return Face(
        maps_of(plan, path),
        plan.screen.units,
        plan.access.hosts,
        keys_of_run(plan, path),
        tuple((tracker.name, tracker.token) for tracker in plan.all_trackers if tracker.token),
    )


async def live(
    plan: PlanFile,
    path: Path,
    surroundings: Surroundings,
    face: Face,
    journal_path: Path,
    listening: Listening,
    rehearsal: str | None = None,
) -> None:
    """Run a station until it is interrupted. `path` is the plan's.

    With a `rehearsal` (HOST:PORT) the clock is that of the made flight, and each of its runs has a
    journal of its own.
    """
    clock: Callable[[], float] = steady_clock()
    if rehearsal is not None:
        listening = replace(listening, port=listening.port or free_port(listening.host))
        clock = flight_clock = await follow(rehearsal, addresses(listening)[0] + "/")
        journal_path = journal_path.with_suffix(f".{flight_clock.run}.sqlite3")
    flight_plan = plan.for_flight(surroundings.avoid)
    journal_path, elsewhere = journal_elsewhere(journal_path)
    journal, problems = open_journal(journal_path)
    problems += elsewhere
    face = replace(face, photos=photos_beside(journal_path))
    if rehearsal is None:
        clock, late = not_before(clock, journal.last_heard_s(flight_plan.station))
        problems += late
    unclosed = not_closed(journal)
    # a full disk: it is said, and tried again with the next
    with contextlib.suppress(JournalError):
        journal.begin(plan.name, rfc3339(clock()))
    mission = Mission(flight_plan, surroundings.terrain, surroundings.forecast, surroundings.winds)
    take_outlooks(mission, path)
    gc.disable()  # what is recovered stays: looking for garbage in it takes a third of the start
    ledger = open_ledger(plan, journal)
    specs = plan.source_specs(path.parent)
    station = Station(mission, ledger or journal, specs, clock, plan.phone_tokens())
    if rehearsal is not None:
        # by the clock that is used: nobody is to drive after a made flight
        station.mode = "rehearsal"
    problems += [Problem(ProblemKind.MAP_UNUSED, detail=text) for text in face.basemap.problems]
    problems += [Problem(ProblemKind.WINDS_UNUSED, detail=text) for text in surroundings.problems]
    problems += [Problem(ProblemKind.PACK_UNUSED, detail=t) for t in surroundings.pack_problems]
    for fit, words in check_forecast(plan, surroundings):
        if not fit:
            problems.append(Problem(ProblemKind.FORECAST_UNUSED, detail=words))
    links = None if ledger is None else Peering(plan, path.parent, ledger, station, clock)
    station.on_past_read = look_for_new_garbage
    station.own_problems = tuple(problems)

    watched: dict[str, Problem | None] = {}

    def tell(what: str, found: Problem | None) -> None:
        watched[what] = found
        station.own_problems = (*problems, *(p for p in watched.values() if p is not None))
        station.notify()

    of_plan, of_disk, of_journal, of_end = (
        functools.partial(tell, what) for what in ("plan", "disk", "journal", "end")
    )
    saving = functools.partial(save_when_there_is_room, journal, station.in_journal, of_journal)
    watching = (
        SideTask("The watch on the plan", lambda: watch_plan(path, plan, of_plan)),
        SideTask("The watch on the outlook", lambda: watch_outlooks(path, station)),
        SideTask("The watch on the disk", lambda: watch_space(journal_path.parent, of_disk)),
        SideTask("The saving of the journal", saving),
        SideTask("The word of the last end", functools.partial(tell_for_a_while, unclosed, of_end)),
    )
    run = functools.partial(station.run, *watching, *(() if links is None else links.work))
    try:
        with roads_for(station, surroundings.roads, tell):
            await _serve(station, face, run, listening, links)
    finally:
        station.close()


def steady_clock() -> Callable[[], float]:
    """UTC seconds that no setting of the computer's clock moves while the station runs.

    Counts on through a suspended laptop where the system can (Linux); whether the clock was right to
    begin with, the GPS times in packets tell.
    """
    running: Callable[[], float] = time.monotonic
    if hasattr(time, "CLOCK_BOOTTIME"):
        running = functools.partial(time.clock_gettime, time.CLOCK_BOOTTIME)
    began_s = time.time() - running()
    return lambda: began_s + running()


async def replay(
    recording: Recording,
    plan: Plan,
    surroundings: Surroundings,
    face: Face,
    speed: float,
    listening: Listening,
    debriefing: Debriefing | None = None,
) -> None:
    """Play a recording on the screen until it is interrupted."""
    player = Replay(
        recording.receptions,
        plan,
        name=recording.name,
        speed=speed,
        clock=time.monotonic,
        commands=recording.commands,
        terrain=surroundings.terrain,
        forecast=surroundings.forecast,
        winds=surroundings.winds,
    )
    player.own_problems = (
        *(Problem(ProblemKind.MAP_UNUSED, detail=text) for text in face.basemap.problems),
        *(Problem(ProblemKind.WINDS_UNUSED, detail=text) for text in surroundings.problems),
        *(Problem(ProblemKind.PACK_UNUSED, detail=text) for text in surroundings.pack_problems),
    )
    problems = player.own_problems

    def tell(_: str, found: Problem | None) -> None:
        player.own_problems = problems if found is None else (*problems, found)
        player.notify()

    try:
        with roads_for(player, surroundings.roads, tell):
            await _serve(
                player,
                face,
                player.run,
                listening,
                recorded=Recorded(player.moments, debriefing),
            )
    finally:
        if debriefing is not None:
            await debriefing.close()
        player.close()


async def _serve(
    feed: Station | Replay,
    face: Face,
    run: Callable[[], Awaitable[None]],
    listening: Listening,
    links: Peering | None = None,
    recorded: Recorded | None = None,
) -> None:
    port = listening.port or free_port(listening.host)
    listening = replace(listening, port=port)
    feed.units = face.units
    settings = ScreenSettings(
        hosts=face.hosts, keys=face.keys, beacons=face.beacons, guarded=listening.guarded
    )
    screen = create_app(
        feed,
        settings=settings,
        basemap=face.basemap,
        terrain=feed.mission.terrain,
        bases=functools.partial(addresses, listening),
        photos=face.photos,
        recorded=recorded,
    )
    feed.screen_problems = lambda: screen.state.cuts.problems
    if links is not None:
        links.add_peer_route(screen)
    certificate = None
    if listening.https is not None:
        names = own_names() | set(face.hosts)
        certificate = own_certificate(listening.https, names, datetime.now(UTC))
    server = uvicorn_server(screen, listening.host, port, certificate)
    address = addresses(listening)[0]
    running = asyncio.ensure_future(run())
    serving = asyncio.ensure_future(server.serve())
    try:
        await _listening(server, serving)
        if server.started:
            print(f"Leeward is at {address}/  (Ctrl-C ends it)", flush=True)
            if certificate is not None:
                print(f"Its certificate: SHA-256 {certificate.fingerprint}", flush=True)
            if listening.guarded:
                print("Whoever looks on needs a key: leeward links PLAN.toml shows them")
            if listening.browser:
                await asyncio.to_thread(webbrowser.open, _own_link(address, face))
        await asyncio.wait({running, serving}, return_when=asyncio.FIRST_COMPLETED)
        for task in (running, serving):
            if task.done() and not task.cancelled():
                task.result()
    finally:
        server.should_exit = True
        running.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.gather(running, serving, return_exceptions=True)
        face.basemap.close()


async def _listening(server: uvicorn.Server, serving: asyncio.Future[None]) -> None:
    """Wait until it listens, or has given up; uvicorn tells neither by itself."""
    while not server.started and not serving.done():  # noqa: ASYNC110  there is no event for it
        await asyncio.sleep(0.005)


def _own_link(address: str, face: Face) -> str:
    """What this machine's own browser opens: with its key, where the station may not know the browser."""
    if face.keys is None:
        return address + "/"
    return f"{address}/#key={face.keys.crew}"
