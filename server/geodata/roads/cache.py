"""The graph of an extract, kept beside it: written whole or not at all, made anew when it does not fit."""

from __future__ import annotations

import json
import os
import struct
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from server.geodata.roads.building import build
from server.geodata.roads.extract import RoadsError
from server.geodata.roads.graph import RoadGraph
from server.geodata.roads.ways import read_ways

FORMAT = 3  # of what is kept; more whenever the graph of the same extract becomes another one
SUFFIX = ".roads"

_BROKEN = (  # what numpy and zipfile let out on broken bytes
    EOFError,
    KeyError,
    MemoryError,
    OSError,
    OverflowError,
    RuntimeError,
    TypeError,
    ValueError,
    struct.error,
    zipfile.BadZipFile,
)


def kept_beside(path: Path) -> Path:
    return path.with_name(path.name + SUFFIX)


def open_graph(path: Path, told: Callable[[float], None] | None = None) -> RoadGraph:
    """As kept, or read from the extract and kept where the folder can be written.

    `told`: how far reading is, 0 to 1. RoadsError: the extract cannot be used.
    """
    try:
        stat = path.stat()
    except OSError as error:
        raise RoadsError(f"{path}: cannot be read: {error.strerror or error}") from error
    if not path.is_file():
        raise RoadsError(f"{path}: a file expected (.osm.pbf), not a folder")
    of = _identity(stat)
    graph = _kept(kept_beside(path), of)
    if graph is not None:
        if told is not None:
            told(1.0)
        return graph
    graph = build(read_ways(path, told))
    _keep(kept_beside(path), of, graph)
    return graph


def keep(path: Path, graph: RoadGraph) -> None:
    """The graph of the extract at `path`, beside it."""
    _keep(kept_beside(path), _identity(path.stat()), graph)


def _identity(stat: os.stat_result) -> dict[str, int]:
    return {"format": FORMAT, "bytes": stat.st_size, "mtime_ns": stat.st_mtime_ns}


def _kept(path: Path, of: dict[str, int]) -> RoadGraph | None:
    """None: nothing there, of another extract or format, or damaged (each part has its checksum)."""
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as parts:
            about: dict[str, Any] = json.loads(bytes(parts["about"]))
            if about["of"] != of:
                return None
            arrays = {name: parts[name] for name in _ARRAYS}
            names = json.loads(bytes(parts["names"]).decode())
        graph = RoadGraph(**arrays, names=tuple((name, ref) for name, ref in names))
    except _BROKEN:
        return None
    return graph if _sound(graph) else None


_ARRAYS = tuple(f.name for f in fields(RoadGraph) if f.name != "names")


def _sound(graph: RoadGraph) -> bool:
    return (
        len(graph.first) == graph.edges + 1
        and len(graph.points_e7) == int(graph.first[-1])
        and len(graph.length_m) == len(graph.time_s) == len(graph.kind) == graph.edges
        and len(graph.box_e7) == 4
        and len(graph.water_e7) == int(graph.water_first[-1])
        and (graph.edges == 0 or int(graph.ends.max()) < graph.junctions)
        and (graph.edges == 0 or int(graph.name.max()) < len(graph.names))
    )


def _keep(path: Path, of: dict[str, int], graph: RoadGraph) -> None:
    """Beside the extract; where that cannot be written the graph is made anew next time."""
    about = np.frombuffer(json.dumps({"of": of}).encode(), np.uint8)
    names = np.frombuffer(json.dumps(graph.names, ensure_ascii=False).encode(), np.uint8)
    arrays = {name: getattr(graph, name) for name in _ARRAYS}
    temporary = None
    try:
        handle, temporary = tempfile.mkstemp(prefix=path.name, suffix=".part", dir=path.parent)
        with os.fdopen(handle, "wb") as file:
            np.savez(file, about=about, names=names, **arrays)
            file.flush()
            os.fsync(file.fileno())
        Path(temporary).chmod(0o644)  # as the extract: another of the crew may read it
        Path(temporary).replace(path)
    except OSError:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)
