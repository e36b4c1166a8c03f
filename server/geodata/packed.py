"""What `leeward pack` put beside the plan: which files, of what, how old, and whether they are whole."""

from __future__ import annotations

import hashlib
from datetime import datetime
from pathlib import Path
from typing import Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from server.geodata.coverage import MapCheck

LIST_NAME = "pack.json"
_CHUNK = 1 << 20

Kind = Literal["map", "terrain", "forecast"]
KINDS: tuple[Kind, ...] = ("forecast", "map", "terrain")
_DAYS_FROM_H = 48.0


class PackError(ValueError):
    """The list of the pack cannot be read or written."""


class PackedFile(BaseModel):
    """One file of the pack. `outline`: what it covers, latitude and longitude in degrees."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: Kind
    file: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._/-]*$", max_length=200)
    bytes: int = Field(ge=0)
    sha256: str = Field(pattern="^[0-9a-f]{64}$")
    source: str
    licence: str
    fetched: AwareDatetime
    outline: tuple[tuple[float, float], ...] = ()
    detail: str = ""  # the run of a forecast, the greatest zoom of a map


class PackList(BaseModel):
    """All of them."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    files: tuple[PackedFile, ...] = ()

    def of(self, kind: Kind) -> tuple[PackedFile, ...]:
        return tuple(file for file in self.files if file.kind == kind)

    def put(self, file: PackedFile) -> PackList:
        """With this file in the place of what lay there."""
        others = tuple(one for one in self.files if one.file != file.file)
        return PackList(files=(*others, file))


def pack_beside(plan: Path) -> Path:
    """Its folder."""
    return plan.with_suffix(".pack")


def read_list(folder: Path) -> PackList:
    """Empty where no pack is. PackError: its list cannot be read."""
    try:
        return PackList.model_validate_json((folder / LIST_NAME).read_bytes())
    except (FileNotFoundError, NotADirectoryError):
        return PackList()
    except (OSError, ValidationError) as error:
        raise PackError(f"{folder / LIST_NAME}: cannot be read: {error}") from error


def write_list(folder: Path, listed: PackList) -> None:
    """Whole or not at all. PackError."""
    fresh = folder / (LIST_NAME + ".new")
    try:
        fresh.write_text(listed.model_dump_json(indent=1), encoding="utf-8")
        fresh.replace(folder / LIST_NAME)
    except OSError as error:
        raise PackError(f"{fresh}: cannot be written: {error.strerror or error}") from error


def digest(path: Path) -> str:
    """SHA-256 of a file. OSError."""
    found = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(_CHUNK):
            found.update(piece)
    return found.hexdigest()


def fault_of(folder: Path, file: PackedFile, *, thorough: bool = False) -> str | None:
    """Why a file of the list is not to be used: it is missing, or not as it was fetched."""
    path = folder / file.file
    if not path.is_file():
        return f"{path}: missing from the pack; leeward pack fetches it again"
    size = path.stat().st_size
    if size != file.bytes:
        return f"{path}: {file.bytes:,} bytes expected by the pack's list, not {size:,}"
    if thorough and digest(path) != file.sha256:
        return f"{path}: not as it was fetched (SHA-256); leeward pack fetches it again"
    return None


class Packed(BaseModel):
    """What of a pack can be used, as paths; `problems` says what cannot, and why."""

    model_config = ConfigDict(frozen=True)

    map: Path | None = None
    terrain: Path | None = None  # a folder
    tiles: frozenset[str] = frozenset()  # the files in it that are whole
    forecast: Path | None = None
    problems: tuple[str, ...] = ()


def open_pack(plan: Path) -> Packed:
    """What lies beside a plan; nothing where no pack was made."""
    folder = pack_beside(plan)
    try:
        listed = read_list(folder)
    except PackError as error:
        return Packed(problems=(str(error),))
    problems = []
    sound: dict[Kind, Path] = {}
    tiles = set()
    for file in listed.files:
        fault = fault_of(folder, file)
        if fault is None:
            path = folder / file.file
            sound[file.kind] = path.parent if file.kind == "terrain" else path
            if file.kind == "terrain":
                tiles.add(path.name)
        else:
            problems.append(fault)
    return Packed(
        map=sound.get("map"),
        terrain=sound.get("terrain"),
        tiles=frozenset(tiles),
        forecast=sound.get("forecast"),
        problems=tuple(problems),
    )


def pack_lines(folder: Path, listed: PackList, now: datetime) -> list[MapCheck]:
    """For each kind of the pack: how much, how old, and what is wrong with it."""
    lines = []
    for kind in KINDS:
        files = listed.of(kind)
        if not files:
            continue
        faults = [fault for file in files if (fault := fault_of(folder, file, thorough=True))]
        lines += [MapCheck(False, f"pack: {fault}") for fault in faults]
        oldest = min(file.fetched for file in files)
        weight = sum(file.bytes for file in files) / 1e6
        what = f"{len(files)} tiles" if kind == "terrain" else files[-1].detail
        hours = (now - oldest).total_seconds() / 3_600.0
        age = f"{hours:.0f} h" if hours < _DAYS_FROM_H else f"{hours / 24.0:.0f} days"
        words = f"pack: {kind}, {what}, {weight:,.1f} MB, fetched {age} ago"
        lines.append(MapCheck(not faults, words))
    return lines
