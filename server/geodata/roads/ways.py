"""The ways that a car may drive, read out of an extract by pyosmium (the extra `roads`)."""

from __future__ import annotations

from array import array
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from server.geodata.roads.access import Entry, Node, node, passage
from server.geodata.roads.extract import NEEDED, RoadsError, portions
from server.geodata.roads.speeds import FERRY, Pace, is_unpaved, kind_of, pace

GATE_S, TOLL_S = 30.0, 15.0  # to open and shut a gate; to pay. Common practice, no source

# bits of a way
DESTINATION, UNPAVED, ROUNDABOUT, LINK, IN_TOWN, ONE_WAY, STATED = 1, 2, 4, 8, 16, 32, 64

_RIVERS = {"river", "canal"}
_SHORES = {"water", "coastline"}

Told = Callable[[float], None]  # how far reading is, 0 to 1


@dataclass
class Ways:
    """As read: one row for each way, its nodes in one long list."""

    first: array[int] = field(
        default_factory=lambda: array("q")
    )  # of its nodes; one more at the end
    node_id: array[int] = field(default_factory=lambda: array("q"))
    x_e7: array[int] = field(default_factory=lambda: array("i"))  # longitude, 1e-7 degrees
    y_e7: array[int] = field(default_factory=lambda: array("i"))
    kind: array[int] = field(default_factory=lambda: array("B"))
    flags: array[int] = field(default_factory=lambda: array("B"))
    # km/h: along and against, out of towns; the same within; 0 closed
    kmh: array[float] = field(default_factory=lambda: array("f"))  # four for each way
    name: array[int] = field(default_factory=lambda: array("i"))  # index into `names`
    names: dict[tuple[str, str], int] = field(default_factory=lambda: {("", ""): 0})  # name, ref
    way_id: array[int] = field(default_factory=lambda: array("q"))
    ferry: dict[int, tuple[str | None, str | None, str]] = field(default_factory=dict)
    box_e7: tuple[int, int, int, int] | None = None  # west, south, east, north, by the header
    nodes: dict[int, Node] = field(default_factory=dict)
    # shores and rivers that nobody wades: points one line after the other
    water_first: array[int] = field(default_factory=lambda: array("q"))
    water_e7: array[int] = field(default_factory=lambda: array("i"))  # longitude, latitude by turns
    # (kind, from way, via node, to way)
    restrictions: list[tuple[str, int, int, int]] = field(default_factory=list)


def read_ways(path: Path, told: Told | None = None) -> Ways:
    """RoadsError: the extra is missing, or the file is none, damaged, cut short or without roads."""
    try:
        import osmium
    except ImportError as error:
        raise RoadsError(f"{path}: {NEEDED}") from error
    ways = Ways()
    index = osmium.index.create_map("flex_mem")
    wanted = osmium.filter.KeyFilter(
        "waterway", "natural", "highway", "barrier", "route", "restriction", "restriction:motorcar"
    )
    lost = 0
    for portion in portions(path):
        content = osmium.io.FileBuffer(portion.content, "pbf")
        processor = osmium.FileProcessor(content)
        # an index is taken too; its stub names the string alone
        processor = processor.with_locations(index).with_filter(wanted)  # type: ignore[arg-type]
        try:
            if ways.box_e7 is None:
                ways.box_e7 = _box(processor.header)
            for thing in processor:
                lost += _take(thing, ways)
        except RuntimeError as error:  # what pyosmium raises on broken blocks
            raise RoadsError(f"{path}: damaged: {error}; fetch it again") from error
        if told is not None:
            told(portion.done)
    ways.first.append(len(ways.node_id))
    ways.water_first.append(len(ways.water_e7) // 2)
    if not len(ways.kind):
        words = "it holds no road that a car may drive"
        if lost:
            words = (
                f"{lost:,} roads, but not their nodes (before them): sort it with osmium's tools"
            )
        raise RoadsError(f"{path}: {words}")
    return ways


def _box(header: Any) -> tuple[int, int, int, int] | None:
    """Of the whole extract; None where the header tells none."""
    box = header.box()
    if not box.valid():
        return None
    return box.bottom_left.x, box.bottom_left.y, box.top_right.x, box.top_right.y


def _take(thing: Any, ways: Ways) -> int:
    """1 when a road is lost because its places are not known."""
    if thing.is_way():
        tags = dict(thing.tags)
        if "highway" not in tags and tags.get("route") not in ("ferry", "shuttle_train"):
            shown = tags.get("tunnel", "no") == "no"
            if shown and (tags.get("waterway") in _RIVERS or tags.get("natural") in _SHORES):
                _take_water(thing, ways)
            return 0
        return _take_way(thing, tags, ways)
    if thing.is_node():
        found = node(dict(thing.tags), GATE_S, TOLL_S)
        if found is not None:
            ways.nodes[thing.id] = found
    elif thing.is_relation():
        _take_restriction(thing, ways)
    return 0


def _take_way(way: Any, tags: dict[str, str], ways: Ways) -> int:
    allowed = passage(tags)
    if allowed.any is Entry.CLOSED:
        return 0
    runs = _runs(way)
    if not runs:
        return 1
    kind = kind_of(tags)
    speed = pace(tags) if kind != FERRY else None
    pair = (tags.get("name") or "", tags.get("ref") or tags.get("int_ref") or "")
    flags = 0
    if allowed.any is Entry.DESTINATION:
        flags |= DESTINATION
    if kind != FERRY and is_unpaved(tags):
        flags |= UNPAVED
    if tags.get("junction") in ("roundabout", "circular"):
        flags |= ROUNDABOUT
    if tags.get("highway", "").endswith("_link"):
        flags |= LINK
    if (allowed.forward is Entry.CLOSED) != (allowed.backward is Entry.CLOSED):
        flags |= ONE_WAY
    if "maxspeed" in tags:
        flags |= STATED
    if any(
        "urban" in tags.get(key, "")
        for key in ("source:maxspeed", "maxspeed:type", "maxspeed", "zone:traffic")
    ):
        flags |= IN_TOWN
    name = ways.names.setdefault(pair, len(ways.names))
    speeds = [
        0.0 if entry is Entry.CLOSED else kmh
        for entry, kmhs in zip(allowed, _by_direction(speed), strict=True)
        for kmh in kmhs
    ]
    for run in runs:
        if kind == FERRY:
            ways.ferry[len(ways.kind)] = (tags.get("duration"), tags.get("interval"), tags["route"])
        ways.first.append(len(ways.node_id))
        ways.way_id.append(way.id)
        ways.kind.append(kind)
        ways.flags.append(flags)
        ways.name.append(name)
        ways.kmh.extend(speeds)
        for ref, x, y in run:
            ways.node_id.append(ref)
            ways.x_e7.append(x)
            ways.y_e7.append(y)
    return 0


def _take_water(way: Any, ways: Ways) -> None:
    for run in _runs(way):
        ways.water_first.append(len(ways.water_e7) // 2)
        for _, x, y in run:
            ways.water_e7.extend((x, y))


def _by_direction(speed: Pace | None) -> tuple[tuple[float, float], tuple[float, float]]:
    """Along and against the way: km/h out of towns and within. A ferry is timed by itself."""
    if speed is None:
        return (1.0, 1.0), (1.0, 1.0)
    along, against = zip(speed.rural_kmh, speed.urban_kmh, strict=True)
    return along, against


def _runs(way: Any) -> list[list[tuple[int, int, int]]]:
    """Its nodes with places (id, x, y), in pieces: an extract cuts ways at its edge."""
    runs: list[list[tuple[int, int, int]]] = [[]]
    last = 0
    for place in way.nodes:
        if not place.location.valid():
            if runs[-1]:
                runs.append([])
        elif place.ref != last:
            runs[-1].append((place.ref, place.x, place.y))
        last = place.ref
    return [run for run in runs if len(run) > 1]


def _take_restriction(relation: Any, ways: Ways) -> None:
    tags = dict(relation.tags)
    if tags.get("type") != "restriction":
        return
    if {"motorcar", "motor_vehicle"} & set(tags.get("except", "").split(";")):
        return
    kind = tags.get("restriction:motorcar") or tags.get("restriction") or ""
    members = {member.role: (member.type, member.ref) for member in relation.members}
    roles = [member.role for member in relation.members]
    if sorted(roles) != ["from", "to", "via"] or members["via"][0] != "n":
        return  # over several ways: not known here
    if kind.startswith(("no_", "only_")):
        ways.restrictions.append((kind, members["from"][1], members["via"][1], members["to"][1]))
