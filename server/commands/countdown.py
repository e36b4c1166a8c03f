"""What the outlooks kept beside a plan said of its flights: the countdown is held against them."""

from __future__ import annotations

import logging
from pathlib import Path

from server.flight.mission import Mission
from server.outlook.kept import KeptError, kept, kept_beside
from server.plan.edits import changes_of
from server.session.station import Station

log = logging.getLogger("leeward")


def take_outlooks(mission: Mission, path: Path) -> None:
    """What outlooks beside the plan at `path` said; a file that cannot be read is left out."""
    beside = kept_beside(path)
    try:
        mission.take_outlooks({f.name: kept(beside, f.name) for f in mission.plan.flights})
    except KeptError as error:
        log.warning("%s", error)


async def watch_outlooks(path: Path, station: Station) -> None:
    """Take them in again whenever the file changes, until cancelled."""
    async for _ in changes_of(kept_beside(path)):
        take_outlooks(station.mission, path)
        station.notify()
