"""Extracts as they come: whole, cut short, damaged, no extract at all; and what is kept beside them."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import osmium
import pytest
from geographiclib.geodesic import Geodesic
from osmium.osm.mutable import Node, Way

from server.geodata.roads import cache
from server.geodata.roads.building import build
from server.geodata.roads.cache import kept_beside, open_graph
from server.geodata.roads.drives import Drives
from server.geodata.roads.extract import RoadsError
from server.geodata.roads.graph import E7, RoadGraph, joined
from server.geodata.roads.ways import IN_TOWN, Told, Ways, read_ways
from tests.geodata.roads.extracts import (
    ROAD,
    VALLEY,
    Made,
    graph_of,
    lattice,
    place,
    two_towns,
    write,
)


@pytest.fixture(scope="module")
def valley() -> RoadGraph:
    return build(read_ways(VALLEY))


def test_a_real_extract(valley: RoadGraph) -> None:
    """Its numbers are its own; that the length of its roads is right, geographiclib says."""
    assert valley.junctions > 3_000
    assert valley.edges > 4_000
    rng = np.random.default_rng(1)
    for edge in rng.integers(0, valley.edges, 200).tolist():
        shape = valley.shape(edge)
        length_m = sum(
            Geodesic.WGS84.Inverse(*a, *b)["s12"]
            for a, b in zip(shape[:-1].tolist(), shape[1:].tolist(), strict=True)
        )
        assert float(valley.length_m[edge]) == pytest.approx(length_m, rel=1e-4, abs=0.05)
        begin, end = valley.ends[edge]
        assert shape[0] == pytest.approx(valley.junction_e7[begin][::-1] * E7)
        assert shape[-1] == pytest.approx(valley.junction_e7[end][::-1] * E7)


def test_reading_says_how_far_it_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("server.geodata.roads.extract.PORTION_BYTES", 1)
    told: list[float] = []
    whole = build(read_ways(VALLEY, told.append))
    assert told == sorted(told)
    assert told[-1] == 1.0
    assert len(told) > 3
    # in portions or in one piece, the same
    monkeypatch.undo()
    again = build(read_ways(VALLEY))
    assert np.array_equal(whole.time_s, again.time_s)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"<!DOCTYPE html><html><body>404", "a web page"),
        (b"  \n<html>", "a web page"),
        (b"<?xml version='1.0'?><osm version='0.6'/>", "XML form"),
        (b"\x1f\x8b\x08\x00" + bytes(100), "unpack it"),
        (b"SQLite format 3\0" + bytes(100), "a map of tiles"),
        (b"version https://git-lfs.github.com/spec/v1\n", "a pointer"),
        (b"\x00\x00\x00\x0d nothing of the kind at all", "not an OpenStreetMap extract"),
        (bytes(5000), "not an OpenStreetMap extract"),
        (os.urandom(5000), "not an OpenStreetMap extract"),
    ],
)
def test_what_is_no_extract_is_named(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "kansas.osm.pbf"
    path.write_bytes(content)
    with pytest.raises(RoadsError, match=words) as caught:
        open_graph(path)
    assert str(path) in str(caught.value)


def test_one_cut_short_anywhere_is_named(tmp_path: Path) -> None:
    whole = VALLEY.read_bytes()
    path = tmp_path / "cut.osm.pbf"
    for part in np.random.default_rng(2).integers(1, len(whole) - 1, 40).tolist():
        path.write_bytes(whole[:part])
        with pytest.raises(RoadsError, match=r"cut short|damaged|not an OpenStreetMap|no road"):
            read_ways(path)


def test_damage_is_named_or_harmless(tmp_path: Path) -> None:
    """A block is checked by its compression alone: a flipped bit is either found or in no road."""
    whole = VALLEY.read_bytes()
    path = tmp_path / "damaged.osm.pbf"
    rng = np.random.default_rng(3)
    named = 0
    for _ in range(40):
        content = bytearray(whole)
        content[int(rng.integers(len(content)))] ^= 1 << int(rng.integers(8))
        path.write_bytes(content)
        try:
            assert build(read_ways(path)).edges > 0
        except RoadsError:
            named += 1
    assert named > 30


def test_no_file_and_a_folder(tmp_path: Path) -> None:
    with pytest.raises(RoadsError, match="cannot be read"):
        open_graph(tmp_path / "none.osm.pbf")
    with pytest.raises(RoadsError, match="not a folder"):
        open_graph(tmp_path)


def test_an_extract_without_roads(tmp_path: Path) -> None:
    made = Made({1: (0, 0), 2: (0, 1)}, {1: ([1, 2], {"highway": "footway"})})
    with pytest.raises(RoadsError, match="no road that a car may drive"):
        read_ways(write(tmp_path / "feet.osm.pbf", made))


def test_ways_before_their_nodes(tmp_path: Path) -> None:
    path = tmp_path / "unsorted.osm.pbf"
    writer = osmium.SimpleWriter(str(path))
    writer.add_way(Way(id=1, nodes=[1, 2], tags=ROAD))
    writer.add_node(Node(id=1, location=(-98.0, 38.0)))
    writer.add_node(Node(id=2, location=(-98.1, 38.0)))
    writer.close()
    with pytest.raises(RoadsError, match="sort it"):
        read_ways(path)


def test_a_way_cut_by_the_edge_of_the_extract(tmp_path: Path) -> None:
    """Nodes beyond the edge are missing: the road is in two pieces, and no line joins them."""
    made = Made({1: (0, 0), 2: (0, 1), 4: (0, 3), 5: (0, 4)}, {1: ([1, 2, 3, 4, 5], ROAD)})
    graph = graph_of(tmp_path, made)
    assert sorted(np.round(graph.length_m / 877.7).tolist()) == [1.0, 1.0]


def test_towns_are_where_roads_are_dense(tmp_path: Path) -> None:
    """More than 12 km of road in a square kilometre: streets 120 m apart are, roads 400 m apart are not."""
    shares = []
    for apart_deg in (0.0011, 0.0036):
        count = int(0.08 / apart_deg)
        made = lattice(count, count, {"highway": "residential"})
        made = made._replace(
            nodes={
                n: (r * apart_deg * 100, c * apart_deg * 126.6) for n, (r, c) in made.nodes.items()
            }
        )
        graph = graph_of(tmp_path, made)
        shares.append(float((graph.flags & IN_TOWN > 0).mean()))
    assert shares[0] > 0.5
    assert shares[1] == 0.0


def test_kept_beside_the_extract(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path / "small.osm.pbf", lattice(3, 3))
    first = open_graph(path)
    kept = kept_beside(path)
    assert kept.is_file()
    assert not list(tmp_path.glob("*.part"))
    reads: list[Path] = []

    def counted(path: Path, told: Told | None = None) -> Ways:
        reads.append(path)
        return read_ways(path, told)

    monkeypatch.setattr(cache, "read_ways", counted)
    again = open_graph(path)
    assert not reads
    assert np.array_equal(first.time_s, again.time_s)
    assert first.names == again.names
    # another extract under the same name, the same length or not
    os.utime(path, ns=(1, 1))
    open_graph(path)
    assert len(reads) == 1
    # any damage is seen, and mended
    whole = kept.read_bytes()
    for content in (b"", b"not at all", whole[:-50], whole[: len(whole) // 2]):
        kept.write_bytes(content)
        assert np.array_equal(open_graph(path).time_s, first.time_s)
    for at in np.random.default_rng(4).integers(0, len(whole), 400).tolist():
        flipped = bytearray(whole)
        flipped[at] ^= 0x10
        kept.write_bytes(flipped)
        found = open_graph(path)
        assert np.array_equal(found.time_s, first.time_s)
        assert np.array_equal(found.ends, first.ends)
    # one of another format
    monkeypatch.setattr(cache, "FORMAT", cache.FORMAT + 1)
    count = len(reads)
    open_graph(path)
    assert len(reads) == count + 1


def test_a_folder_that_cannot_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path / "small.osm.pbf", lattice(3, 3))

    def refused(**_: object) -> tuple[int, str]:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("tempfile.mkstemp", refused)
    assert open_graph(path).edges == 12
    assert not kept_beside(path).exists()


def test_two_extracts_that_overlap_are_one(tmp_path: Path) -> None:
    made = lattice(4, 4)
    west = made._replace(ways={n: w for n, w in made.ways.items() if n != 8})
    east = made._replace(ways={n: w for n, w in made.ways.items() if n != 5})
    graphs = []
    for name, one in (("w", west), ("e", east), ("whole", made)):
        graphs.append(build(read_ways(write(tmp_path / f"{name}.osm.pbf", one))))
    together = joined(graphs[:2])
    assert together.junctions == graphs[2].junctions
    # where the road along the edge is missing, its junctions are too: some edges are longer there
    assert float(together.length_m.sum()) >= float(graphs[2].length_m.sum()) * 0.99


def test_a_barrier_stays_one_where_extracts_are_joined(tmp_path: Path) -> None:
    """Two towns and a bollard on the only road between them, in both extracts."""
    for tags, reached in (({}, True), ({"barrier": "bollard"}, False)):
        both = []
        for name in ("a", "b"):
            made = two_towns(tags)
            both.append(build(read_ways(write(tmp_path / f"{name}.osm.pbf", made))))
        pair = np.array([[*place(0, 5.5), *place(0, 8.5)]])
        assert (Drives(joined(both)).pairs(pair)[0] is not None) is reached


def test_a_cut_keeps_what_lies_within(valley: RoadGraph) -> None:
    south, west, north, east = 47.12, 9.50, 47.16, 9.54
    part = valley.cut(south, west, north, east)
    assert 0 < part.edges < valley.edges / 2
    for edge in range(part.edges):
        shape = part.shape(edge)[[0, -1]]
        within = (
            (shape[:, 0] >= south)
            & (shape[:, 0] <= north)
            & (shape[:, 1] >= west)
            & (shape[:, 1] <= east)
        )
        assert within.any()
    assert set(part.names) == set(valley.names)
    assert valley.cut(-90, -180, 90, 180) is valley
    assert valley.cut(10, 10, 11, 11).edges == 0
