"""The house holds: imports run one way, and the pure rooms name no clock, file, socket or chance."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

# what each room may import of ours, beside itself; a room is the longest fitting prefix
PHYSICS = {"server.flight.physics"}
STATE = PHYSICS | {
    "server.flight.road_state",
    "server.flight.state",
    "server.flight.mission_state",
    "server.flight.search_state",
    "server.flight.shapes",
    "server.flight.tracker_state",
}
INPUTS = STATE | {"decoders", "server.flight.inputs", "server.flight.times"}
TRACK = INPUTS | {"server.flight.track"}
LANDING = TRACK | {"server.flight.landing"}
PACKETS = TRACK | {"server.flight.packets"}
FLIGHT = {"decoders", "server.flight"}
MAY_IMPORT = {
    "decoders": set(),
    "server.flight.physics": set(),
    "server.flight.shapes": set(),
    "server.flight.road_state": {"server.flight.shapes"},
    "server.flight.search_state": {"server.flight.shapes"},
    "server.flight.tracker_state": set(),
    "server.flight.state": PHYSICS
    | {
        "server.flight.road_state",
        "server.flight.search_state",
        "server.flight.shapes",
        "server.flight.tracker_state",
    },
    "server.flight.mission_state": STATE,
    "server.flight.inputs": PHYSICS | {"decoders"},
    "server.flight.times": set(),
    "server.flight.track": TRACK,
    "server.flight.packets": PACKETS,
    "server.flight.landing": LANDING,
    "server.flight.chase": LANDING,
    "server.flight.search": LANDING | {"server.flight.chase"},
    "server.flight": LANDING | PACKETS | {"server.flight.chase", "server.flight.search"},
    "server.flight.view": FLIGHT,
    "server.journal": FLIGHT,
    "server.sources": FLIGHT,
    "server.geodata": FLIGHT
    | {"server.journal"},  # winds of an earlier flight are read from its journal
    "server.plan": FLIGHT | {"server.sources"},
    "server.sync": FLIGHT | {"server.journal", "server.sources"},
    "server.session": FLIGHT | {"server.journal", "server.sources"},
    "server.screen": FLIGHT | {"server.geodata", "server.session"},
    "server.debrief": FLIGHT | {"server.journal", "server.geodata"},
    "server.outlook": FLIGHT | {"server.geodata"},
    "server.rehearsal": {"decoders"},
    "server.commands": {"decoders", "server"},
}

IMPURE_MODULES = {
    "asyncio",
    "http",
    "io",
    "logging",
    "os",
    "pathlib",
    "random",
    "secrets",
    "selectors",
    "select",
    "shutil",
    "signal",
    "socket",
    "sqlite3",
    "ssl",
    "subprocess",
    "sys",
    "tempfile",
    "threading",
    "time",
    "urllib",
    "uuid",
}
IMPURE_CALLS = {"open", "print", "input", "now", "utcnow", "today"}


def files(folder: str) -> dict[str, Path]:
    """By their modules' names."""
    return {
        ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): path
        for path in sorted((ROOT / folder).rglob("*.py"))
    }


def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def imported(name: str, tree: ast.Module) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, f"{name} imports relatively: say whole names"
            yield node.module or ""
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def room_of(name: str, rooms: set[str]) -> str | None:
    fitting = [room for room in rooms if name == room or name.startswith(room + ".")]
    return max(fitting, key=len, default=None)


def is_bare(name: str) -> bool:
    """A package alone: its modules are named in the same statement."""
    return name != "decoders" and (ROOT / Path(*name.split("."))).is_dir()


ALL = files("decoders") | files("server")


@pytest.mark.parametrize("name", ALL)
def test_imports_run_one_way(name: str) -> None:
    if name != "server":
        assert_one_way(name, parsed(ALL[name]))


def assert_one_way(name: str, tree: ast.Module) -> None:
    room = room_of(name, set(MAY_IMPORT))
    assert room is not None, f"{name} has no room: give it one in MAY_IMPORT, and say why it exists"
    for other in imported(name, tree):
        if other.split(".")[0] not in ("server", "decoders", "tests", "web") or is_bare(other):
            continue
        its_room = room_of(other, set(MAY_IMPORT)) or other
        assert its_room == room or room_of(its_room, MAY_IMPORT[room]), f"{name} imports {other}"


def test_the_server_itself_holds_rooms_alone() -> None:
    loose = {path.name for path in (ROOT / "server").iterdir() if path.is_file()}
    assert loose <= {"__init__.py", "LICENSE"}


PURE = files("decoders") | files("server/flight")


@pytest.mark.parametrize("name", PURE)
def test_pure_rooms_name_no_clock_file_or_socket(name: str) -> None:
    assert_pure(name, parsed(PURE[name]))


def assert_pure(name: str, tree: ast.Module) -> None:
    for module in imported(name, tree):
        assert module.split(".")[0] not in IMPURE_MODULES, f"{name} imports {module}"
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            called = node.func
            word = called.id if isinstance(called, ast.Name) else getattr(called, "attr", "")
            assert word not in IMPURE_CALLS, f"{name} line {node.lineno} calls {word}"
    # what is kept beside the inputs is filled by whoever asks first, from any thread
    assert not {"cache", "lru_cache", "cached_property"} & {
        module.rpartition(".")[2] for module in imported(name, tree)
    }, f"{name} keeps a cache"
    # chance only from a seed that is an input
    text = ast.unparse(tree)
    assert "default_rng()" not in text
    assert "np.random." not in text.replace("np.random.default_rng(seed)", "")


def test_the_check_sees_a_breach() -> None:
    tree = ast.parse("from server.session.station import Station\nimport time")
    assert "server.session.station" in set(imported("server.flight.x", tree))
    with pytest.raises(AssertionError):
        assert_one_way("server.flight.x", tree)
    with pytest.raises(AssertionError):
        assert_pure("server.flight.x", tree)
    upwards = ast.parse("from server.flight.landing.predict import predict")
    with pytest.raises(AssertionError):
        assert_one_way("server.flight.track.x", upwards)


def test_no_file_is_too_long() -> None:
    long = {
        str(path.relative_to(ROOT)): count
        for folder in ("decoders", "server")
        for path in (ROOT / folder).rglob("*.py")
        if (count := len(path.read_text(encoding="utf-8").splitlines())) > 400
    }
    assert not long, "each file has one reason to exist"


def test_no_test_imports_a_bench() -> None:
    found = [
        name
        for name, path in files("tests").items()
        if not name.startswith("tests.bench")
        for other in imported(name, parsed(path))
        if other.startswith("tests.bench")
    ]
    assert not found
