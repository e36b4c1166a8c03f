"""Drive times against an independent engine: Valhalla 3.6 (npm's @valhallajs/valhallajs), costing `auto`.

The classes' speeds out of towns and in them are the engine's own (server/geodata/roads/README.md): what
is checked is graph, access, one-ways, snapping, junctions and the search, on extracts of two kinds.
"""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import numpy as np
import pytest

from server.geodata.roads.building import build
from server.geodata.roads.drives import Drives
from server.geodata.roads.graph import E7
from server.geodata.roads.ways import read_ways
from tests.geodata.roads.extracts import VALLEY, lattice, write
from tests.machine import require, require_road_engine

PAIRS = 400

_MATRIX = """
import { Actor } from '@valhallajs/valhallajs';
import fs from 'fs';
const actor = await Actor.fromConfigFile('config.json');
const found = [];
for (const [lat, lon, toLat, toLon] of JSON.parse(fs.readFileSync('pairs.json'))) {
  try {
    const answer = await actor.matrix({
      sources: [{ lat, lon }], targets: [{ lat: toLat, lon: toLon }], costing: 'auto',
    });
    found.push(answer.sources_to_targets[0][0].time);
  } catch (error) { found.push(null); }
}
fs.writeFileSync('times.json', JSON.stringify(found));
"""


def engine_s(folder: Path, extract: Path, pairs: list[list[float]]) -> list[float | None]:
    """Seconds by the engine, None where it finds no way."""
    modules, node = require_road_engine(), require("node")
    (folder / "node_modules").symlink_to(modules)
    engine = modules / "@valhallajs" / "valhallajs"
    binary = json.loads((engine / "package.json").read_text())["bin"]
    program = engine / (binary if isinstance(binary, str) else binary["valhalla"])
    tiles = [
        "--mjolnir-tile-dir",
        str(folder / "tiles"),
        "--mjolnir-tile-extract",
        str(folder / "tiles.tar"),
    ]
    config = subprocess.run(
        [node, program, "build_config", *tiles], cwd=folder, check=True, capture_output=True
    )
    (folder / "config.json").write_bytes(config.stdout)
    subprocess.run(
        [node, program, "build_tiles", "-c", "config.json", str(extract)],
        cwd=folder, check=True, capture_output=True,
    )  # fmt: skip
    (folder / "pairs.json").write_text(json.dumps(pairs))
    (folder / "matrix.mjs").write_text(_MATRIX)
    subprocess.run([node, "matrix.mjs"], cwd=folder, check=True, capture_output=True)
    found: list[float | None] = json.loads((folder / "times.json").read_text())
    return found


def town(path: Path) -> Path:
    """Streets 130 m apart with main roads between, and the country around with roads 1 km apart."""
    made = lattice(60, 60)
    spacing = np.concatenate(
        [np.arange(15) * 0.9, 13.5 + np.arange(30) * 0.12, 17.1 + np.arange(1, 16) * 0.9]
    )
    nodes = {
        n: (float(spacing[int(r)]), float(spacing[int(c)] * 1.26))
        for n, (r, c) in made.nodes.items()
    }
    kinds = {0: "primary", 10: "secondary", 5: "tertiary"}
    ways = {}
    for n, (line, _) in made.ways.items():
        i = (n - 1) % 60
        kind = "primary" if i % 20 == 0 else kinds.get(i % 10, "residential")
        tags = {"highway": kind} | ({"surface": "gravel"} if i % 7 == 3 else {})
        ways[n] = (line, tags)
    signals = {
        1 + r * 60 + c: {"highway": "traffic_signals"}
        for r in range(0, 60, 10)
        for c in range(0, 60, 20)
    }
    return write(path, made._replace(nodes=nodes, ways=ways, node_tags=signals))


@pytest.mark.parametrize("which", ["valley", "town"])
def test_drive_times_agree(tmp_path: Path, which: str) -> None:
    """400 pairs of places on roads: median ratio 0.9 to 1.1, four in five within 20 %."""
    extract = VALLEY if which == "valley" else town(tmp_path / "town.osm.pbf")
    graph = build(read_ways(extract))
    rng = np.random.default_rng(9)
    places = graph.points_e7[rng.integers(0, len(graph.points_e7), (PAIRS, 2))][:, :, ::-1] * E7
    pairs = places.reshape(-1, 4).astype(np.float64)
    theirs = engine_s(tmp_path, extract, pairs.tolist())
    ours = Drives(graph).pairs(pairs)
    both = [(o.time_s, t) for o, t in zip(ours, theirs, strict=True) if o is not None and t]
    assert len(both) > 0.97 * PAIRS
    ratio = np.array([o / t for o, t in both if t > 60.0])
    assert 0.95 < float(np.median(ratio)) < 1.05
    assert float((np.abs(ratio - 1.0) < 0.2).mean()) > 0.95
