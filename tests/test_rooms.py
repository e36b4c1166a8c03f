"""The house holds: imports run one way, and the pure rooms name no clock, file, socket or chance."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

# what each room may import of ours; a room is the longest matching prefix
MAY_IMPORT = {
    "decoders": {"decoders"},
    "server.flight": {"decoders", "server.flight"},
    "server.interrupt": set(),
    "server.rehearsal": {"decoders", "server.rehearsal", "server.interrupt"},
    "server.atlas": {"decoders", "server.flight", "server.atlas"},
    "server.sources": {"decoders", "server.flight", "server.sources"},
    "server.journal_text": {"decoders", "server.flight"},
    "server.journal": {"decoders", "server.flight"},
    "server.logs": {"decoders", "server.flight", "server.journal", "server.journal_text"},
    "server.plan": {
        "decoders", "server.flight", "server.sources", "server.plan_network", "server.plan_balloon",
        "server.plan_errors", "server.plan_sources",
    },
    "server.plan_sources": {"decoders", "server.sources"},
    "server.plan_errors": set(),
    "server.plan_network": set(),
    "server.plan_balloon": {"server.flight"},
    "server.plan_maps": {"server.plan", "server.atlas"},
    "server.plan_watch": {"server.plan"},
    "server.exchange": {
        "decoders", "server.flight", "server.journal", "server.sources", "server.exchange",
    },
    "server.watch": {"decoders", "server.flight"},
    "server.posts": {"decoders", "server.flight"},
    "server.slices": {"server.flight"},
    "server.side_tasks": set(),
    "server.station": {
        "server.flight", "server.journal", "server.posts", "server.side_tasks", "server.slices",
        "server.sources", "server.watch",
    },
    "server.replay": {"server.flight", "server.watch"},
    "server.debrief": {
        "decoders", "server.flight", "server.logs", "server.journal", "server.journal_text",
        "server.debrief",
    },
    "server.screen": {
        "decoders", "server.flight", "server.atlas", "server.watch", "server.screen",
    },
}  # fmt: skip
# rooms that may import anything below them: the one place where parts are chosen, and the commands
TOP = {
    "server.run", "server.recover", "server.sharing", "server.check", "server.listen", "server.cli",
    "server.cli_given", "server.cli_records",
}  # fmt: skip

IMPURE_MODULES = {
    "asyncio", "http", "io", "logging", "os", "pathlib", "random", "secrets", "selectors", "select",
    "shutil", "signal", "socket", "sqlite3", "ssl", "subprocess", "sys", "tempfile", "threading",
    "time", "urllib", "uuid",
}  # fmt: skip
IMPURE_CALLS = {"open", "print", "input", "now", "utcnow", "today"}


def modules(folder: str) -> Iterator[tuple[str, ast.Module]]:
    for path in sorted((ROOT / folder).rglob("*.py")):
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        yield name, ast.parse(path.read_text(encoding="utf-8"))


def imported(name: str, tree: ast.Module, *, package: bool = False) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parts = name.split(".")
                parents = parts[: len(parts) - node.level + (1 if package else 0)]
                base = ".".join([*parents, base]).rstrip(".")
            yield base
            yield from (f"{base}.{alias.name}" for alias in node.names)


def room_of(name: str, rooms: set[str]) -> str | None:
    fitting = [room for room in rooms if name == room or name.startswith(room + ".")]
    return max(fitting, key=len, default=None)


def is_package(name: str) -> bool:
    return (ROOT / Path(*name.split("."))).is_dir()


ALL = [*modules("decoders"), *modules("server")]


@pytest.mark.parametrize(("name", "tree"), ALL, ids=[name for name, _ in ALL])
def test_imports_run_one_way(name: str, tree: ast.Module) -> None:
    room = room_of(name, set(MAY_IMPORT) | TOP)
    if name == "server" or room in TOP:
        return
    assert room is not None, f"{name} has no room: give it one in MAY_IMPORT, and say why it exists"
    known = set(MAY_IMPORT) | TOP
    for other in imported(name, tree, package=is_package(name)):
        if other.split(".")[0] not in ("server", "decoders", "tests", "web"):
            continue
        if other == "server" or (other.split(".")[0] == "server" and room_of(other, known) is None):
            continue  # a bare package; its modules are named in the same statement
        assert room_of(other, MAY_IMPORT[room]) or other in MAY_IMPORT[room], (
            f"{name} imports {other}"
        )


PURE = [*modules("decoders"), *modules("server/flight")]


@pytest.mark.parametrize(("name", "tree"), PURE, ids=[name for name, _ in PURE])
def test_pure_rooms_name_no_clock_file_or_socket(name: str, tree: ast.Module) -> None:
    for module in imported(name, tree, package=is_package(name)):
        assert module.split(".")[0] not in IMPURE_MODULES, f"{name} imports {module}"
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            called = node.func
            word = called.id if isinstance(called, ast.Name) else getattr(called, "attr", "")
            assert word not in IMPURE_CALLS, f"{name} line {node.lineno} calls {word}"
    # what is kept beside the inputs is filled by whoever asks first, from any thread
    assert not {"cache", "lru_cache", "cached_property"} & {
        module.rpartition(".")[2] for module in imported(name, tree, package=is_package(name))
    }, f"{name} keeps a cache"
    # chance only from a seed that is an input
    text = ast.unparse(tree)
    assert "default_rng()" not in text
    assert "np.random." not in text.replace("np.random.default_rng(seed)", "")


def test_the_check_sees_a_breach() -> None:
    tree = ast.parse("from server.station import Station\nimport time")
    assert "server.station" in set(imported("server.flight.x", tree))
    relative = ast.parse("from ..journal import Journal")
    assert "server.journal" in set(imported("server.flight.x", relative))


def test_no_file_is_too_long() -> None:
    long = {
        str(path.relative_to(ROOT)): count
        for folder in ("decoders", "server")
        for path in (ROOT / folder).rglob("*.py")
        if (count := len(path.read_text(encoding="utf-8").splitlines())) > 400
    }
    assert not long, "each file has one reason to exist"
