"""The roads of a running station or replay: read apart, told of, and given to whoever works out the chase."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from server.flight.mission_state import Problem, ProblemKind
from server.geodata.roads.extract import NEEDED, RoadsError
from server.session.session import Session

if TYPE_CHECKING:
    from server.geodata.roads.apart import RoadsApart

Tell = Callable[[str, Problem | None], None]  # what, and its problem; None: it is well


@contextlib.contextmanager
def roads_for(session: Session, paths: Sequence[Path], tell: Tell) -> Iterator[None]:
    """Let a session know the roads of these extracts as soon as they are read. Within its loop."""
    if not paths:
        yield
        return
    try:
        from server.geodata.roads.apart import RoadsApart
    except ImportError as error:
        tell("roads", Problem(ProblemKind.ROADS_UNUSED, detail=f"{NEEDED}: {error}"))
        yield
        return
    loop = asyncio.get_running_loop()
    roads: RoadsApart | None = None

    def look() -> None:
        if roads is None:
            return
        if roads.problem is not None:
            tell("roads", Problem(ProblemKind.ROADS_UNUSED, detail=roads.problem))
        elif roads.progress is not None:
            name, done = roads.progress
            tell("roads", Problem(ProblemKind.ROADS_READ, name=name, count=round(100 * done)))
        else:
            tell("roads", None)
            if roads.ready:
                session.changed()

    def told(*_: object) -> None:
        with contextlib.suppress(RuntimeError):  # the loop has ended
            loop.call_soon_threadsafe(look)

    roads = RoadsApart(paths, told)
    session.chaser = roads
    try:
        yield
    finally:
        session.chaser = None
        roads.close()


def check_roads(
    paths: Sequence[Path],
    launches: Sequence[tuple[float, float]],
    told: Callable[[Path, float], None],
    area: tuple[float, float, float, float] | None = None,
) -> list[tuple[bool, str]]:
    """Whether each extract can be used, in words; it is read, and kept for the flight.

    Launches: degrees. `area`: west, south, east, north of where roads will be needed.
    """
    found = []
    for path in paths:
        try:
            from server.geodata.roads.cache import open_graph

            graph = open_graph(path, partial(told, path))
        except ImportError as error:
            found.append((False, f"{path}: {NEEDED}: {error}"))
            continue
        except RoadsError as error:
            found.append((False, f"roads: {error}"))
            continue
        south, west, north, east = graph.bounds()
        words = f"roads: {path}: {graph.junctions:,} junctions"
        outside = [
            place
            for place in launches
            if not (
                south <= place[0] <= north and (place[1] - west) % 360.0 <= (east - west) % 360.0
            )
        ]
        if outside and len(outside) == len(launches):
            words += "; no launch site lies in it"
        if area is not None:
            share = _covered((west, south, east, north), area)
            words += f"; it spans {share:.0%} of the ground about the predicted areas"
        found.append((True, words))
    return found


def _covered(
    box: tuple[float, float, float, float], area: tuple[float, float, float, float]
) -> float:
    """The share of an area that lies in a box: west, south, east, north in degrees."""
    west, south, east, north = box
    wide_deg = (east - west) % 360.0
    shared_deg = max(
        min(west + turn_deg + wide_deg, area[2]) - max(west + turn_deg, area[0])
        for turn_deg in (-360.0, 0.0, 360.0)
    )
    high_deg = min(north, area[3]) - max(south, area[1])
    whole = (area[2] - area[0]) * (area[3] - area[1])
    shared = max(shared_deg, 0.0) * max(high_deg, 0.0)
    return min(shared / whole, 1.0) if whole > 0.0 else 0.0


def opened(paths: Sequence[Path]) -> RoadsApart | None:
    """Read now, for a state that is printed; RoadsError and ImportError are its problem."""
    if not paths:
        return None
    from server.geodata.roads.apart import RoadsApart

    roads = RoadsApart(paths)
    roads.wait()
    return roads
