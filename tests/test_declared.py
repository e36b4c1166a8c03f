"""Every package that is imported is declared, and the other way round; each with its reason, a licence that
goes with ours, and a place in the lock."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from importlib.metadata import packages_distributions
from pathlib import Path

from tests.licences import installed, reasons

ROOT = Path(__file__).parent.parent
LOCK = ROOT / ".ci" / "requirements.txt"
OURS = {"decoders", "server", "web", "replay_logs", "tests"}
# in every Python installation that CI uses, and named in no list
GIVEN = {"setuptools", "pip"}
# the page's libraries as plain files, read by their folder; and what uvicorn takes by its name
NOT_IMPORTED = {"django-js-lib-leaflet", "youplot", "httptools"}
# what may be joined with GPL-3.0-or-later (gnu.org, "Various Licenses and Comments about Them", from memory)
GOES_WITH_OURS = re.compile(
    r"(MIT|BSD|0BSD|Apache|MPL|Mozilla|ISC|PSF|Zlib|CC0|EPL-2\.0 OR BSD|GNU General Public License v2)",
    re.IGNORECASE,
)


def imported(folder: str) -> Iterator[tuple[str, Path]]:
    for path in (ROOT / folder).rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                yield from ((alias.name.split(".")[0], path) for alias in node.names)
            elif isinstance(node, ast.ImportFrom) and node.module:
                yield node.module.split(".")[0], path


def canonical(name: str) -> str:
    """A distribution's name as PEP 503 compares it."""
    return re.sub(r"[-_.]+", "-", re.split(r"[\[<>=!~; ]", name)[0]).lower()


def declared(*lists: list[str]) -> set[str]:
    return {canonical(one) for names in lists for one in names}


def undeclared(folders: tuple[str, ...], known: set[str]) -> list[str]:
    of = packages_distributions()
    found = set()
    for folder in folders:
        for package, path in imported(folder):
            if package in sys.stdlib_module_names or package in OURS or package.startswith("_"):
                continue
            names = {canonical(name) for name in of.get(package, [package])}
            if not names & (known | GIVEN):
                found.add(f"{package} in {path.relative_to(ROOT)}")
    return sorted(found)


def lists() -> tuple[set[str], set[str]]:
    """What is declared of the product, extras and all, and of the tests."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    product = declared(
        project["dependencies"], *(names for key, names in extras.items() if key != "test")
    )
    return product, declared(extras["test"])


def test_every_imported_package_is_declared() -> None:
    product, of_tests = lists()
    assert undeclared(("decoders", "server"), product) == []
    assert undeclared(("tests",), product | of_tests) == []


def test_every_package_of_the_product_is_imported() -> None:
    product, _ = lists()
    packages = {package for folder in ("decoders", "server") for package, _ in imported(folder)}
    of = packages_distributions()
    used = {canonical(name) for package in packages for name in of.get(package, [package])}
    assert product - used == NOT_IMPORTED


def test_each_package_is_there_for_a_reason_and_may_be() -> None:
    assert [name for name, because in reasons().items() if not because] == []
    rows = installed()
    assert len(rows) > 40, "with all that they need in turn"
    assert [row for row in rows if not GOES_WITH_OURS.match(row.licence)] == []


def test_the_lock_holds_all_of_them_by_their_hashes() -> None:
    locked = dict(
        re.findall(r"^([\w.-]+)==\S+ \\\n( +--hash=sha256:\w{64})", LOCK.read_text(), re.MULTILINE)
    )
    names = {canonical(name) for name in locked}
    product, of_tests = lists()
    assert product | of_tests | {row.name for row in installed()} <= names
    assert "://" not in LOCK.read_text(), "registries are the machine's affair"
