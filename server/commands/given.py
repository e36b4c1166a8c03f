"""What the commands are given: plans, recordings and what lies beside them, or an exit with the reason."""

from __future__ import annotations

import logging
from dataclasses import replace
from pathlib import Path

import typer

from server.geodata.basemap import Basemap, Online, open_basemap
from server.geodata.packed import open_pack
from server.geodata.surroundings import (
    Surroundings,
    SurroundingsError,
    open_surroundings,
    with_pack,
)
from server.journal.database import JournalError
from server.journal.elsewhere import writable_beside
from server.journal.recording import DEMO_LOG, Recording, read_recording
from server.journal.text import LogError
from server.plan.file import PlanError, PlanFile, load
from server.screen.keys import Keys, KeysError, KeysNotKeptError, keys_beside

log = logging.getLogger("leeward")


def fail(error: Exception | str) -> typer.Exit:
    """To be raised: what went wrong stands on the terminal, and the exit code is 2."""
    typer.echo(str(error), err=True)
    return typer.Exit(2)


def plan_at(path: Path) -> PlanFile:
    """The plan, checked."""
    try:
        return load(path)
    except PlanError as error:
        raise fail(error) from error


def keys_of(plan: PlanFile, path: Path) -> Keys:
    """Of the plan at `path`, or kept beside it, or made and kept where they can be. KeysError."""
    there = path.with_suffix(".keys.json").exists()
    try:
        beside = path if there else writable_beside(path)
    except JournalError as error:
        raise KeysError(str(error)) from error
    return keys_beside(beside, plan.access.watch, plan.access.crew)


def keys_of_run(plan: PlanFile, path: Path) -> Keys:
    """Likewise; on a full disk they hold for this run alone. KeysError."""
    try:
        return keys_of(plan, path)
    except KeysNotKeptError as error:
        log.warning("%s; these keys hold until this run ends", error)
        return error.keys


def surroundings_of(plan: PlanFile, path: Path) -> Surroundings:
    """Terrain, areas to be avoided and forecast of the plan that lies at `path`, and of its pack."""
    try:
        named = open_surroundings(
            path.parent,
            None if plan.terrain is None else plan.terrain.folder,
            () if plan.avoid is None else plan.avoid.files,
            None if plan.forecast is None else plan.forecast.file,
            () if plan.winds is None else plan.winds.files,
            plan.launch_s,
        )
        named = replace(named, roads=tuple(path.parent / f for f in _road_files(plan)))
        return with_pack(named, open_pack(path))
    except SurroundingsError as error:
        raise fail(error) from error


def _road_files(plan: PlanFile) -> tuple[str, ...]:
    return () if plan.roads is None else plan.roads.files


def maps_of(plan: PlanFile, path: Path) -> Basemap:
    """The maps of the plan that lies at `path`, opened from its folder; the pack's lies lowest."""
    packed = open_pack(path).map
    files = () if packed is None else (str(packed.relative_to(path.parent)),)
    asked = plan.basemap
    online = None
    if asked.online is not None:
        online = Online(asked.online, asked.online_attribution, asked.online_max_zoom)
    return open_basemap(path.parent, (*files, *asked.files), asked.layers, online)


def carried(log: Path | None) -> Path | None:
    """A demo flight by its name alone (`valley`), where no such file lies here; else what was given."""
    if log is None or log.exists() or log.parent != Path() or log.suffix:
        return log
    demo = DEMO_LOG.with_name(f"{log.name}.log")
    return demo if demo.is_file() else log


def recording_at(path: Path | None) -> Recording:
    """A text log or journal, the demo flight if none; lines that cannot be read are named."""
    try:
        recording = read_recording(path or DEMO_LOG)
    except LogError as error:
        raise fail(error) from error
    for problem in recording.problems[:5]:
        typer.echo(f"{recording.name}: {problem}; passed over", err=True)
    if len(recording.problems) > 5:
        typer.echo(f"{recording.name}: and {len(recording.problems) - 5} more", err=True)
    return recording


def plan_beside(log: Path | None, plan: Path | None) -> tuple[Path, PlanFile] | None:
    """The plan that was named, or the one that lies beside the log."""
    beside = (log or DEMO_LOG).with_suffix(".toml")
    path = plan or (beside if beside.is_file() else None)
    return None if path is None else (path, plan_at(path))
