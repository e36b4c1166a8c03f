"""A page's modules as one script and its style sheets as one: three files for a page instead of 140.

A request costs the station and the browser some milliseconds, whatever it brings. Nothing is renamed: each
module becomes a function that is called once, after those that it imports, as ECMAScript's evaluation order
has it (ECMA-262, 16.2.1.6, "Module Evaluation"), and returns what it exports. Read is only the form that our
modules have: an import or export begins a line, what is exported is not assigned to again, and none waits at
its top; anything else is an error.
"""

from __future__ import annotations

import posixpath
import re
from dataclasses import dataclass
from functools import partial
from pathlib import Path

FOLDER = "joined/"  # under it lies the joined form of each entry
_LEAFLET = "leaflet.js"

_ENTRY = re.compile(r'<script type="module" src="/web/([^"]+)">')
_SHEET = r'<link rel="stylesheet" href="/web/([^"]+)">'
_SHEETS = re.compile(rf"{_SHEET}(?:\s*{_SHEET})*")
_IMPORT = re.compile(r"^import (\{[^}]*\}|\* as \w+) from '([^']+)';$", re.MULTILINE)
_EXPORT = re.compile(
    r"^export (?=(?:async function|function|class|const) (\w+|\{[^}]*\}))", re.MULTILINE
)
_LEFT = re.compile(r"^(?:(?:import|export|await)\b|(?:const|let) .*= await\b).*", re.MULTILINE)
# another entry that a module asks for by its place beside itself; import() without then() is a comment's
_BESIDE = re.compile(r"import\('(\./[^']+)'\)(?=\.then)|new URL\('(\./[^']+)', import\.meta\.url\)")


@dataclass(frozen=True, slots=True)
class _Module:
    source: str
    imports: tuple[str, ...]  # files under web/
    exports: tuple[str, ...]  # names
    entries: tuple[str, ...]  # files that it asks for while it runs


@dataclass(frozen=True, slots=True)
class Joined:
    """`files`: what the pages ask for, by the place under the folder; `parts`: what went into them."""

    files: dict[str, bytes]
    parts: frozenset[str]


def joined(web: Path) -> Joined:
    """Of all pages of a folder. Raises ValueError for a form that is not known here."""
    modules: dict[str, _Module] = {}
    files: dict[str, bytes] = {}
    parts: set[str] = set()
    entries: list[str] = []
    for page in sorted(web.glob("*.html")):
        text = page.read_text(encoding="utf-8")
        entries += _ENTRY.findall(text)
        sheets = _sheets_of(text)
        if sheets:
            files[_sheet_of(page.name)] = b"\n".join((web / name).read_bytes() for name in sheets)
            parts.update(sheets)
    for entry in entries:  # grows while it is walked
        order = _in_order(web, entry, modules)
        entries += [
            other for name in order for other in modules[name].entries if other not in entries
        ]
        files[FOLDER + entry] = _script(order, modules).encode()
    return Joined(files, frozenset(parts | modules.keys()))


def names_joined(page: str, text: str) -> str:
    """A page that asks for the joined files instead of those in its source."""
    text = _ENTRY.sub(rf'<script type="module" src="/web/{FOLDER}\1">', text)
    return _SHEETS.sub(f'<link rel="stylesheet" href="/web/{_sheet_of(page)}">', text, count=1)


def _sheets_of(page: str) -> list[str]:
    run = _SHEETS.search(page)
    return [] if run is None else re.findall(_SHEET, run[0])


def _sheet_of(page: str) -> str:
    return FOLDER + page.removesuffix(".html") + ".css"


def _in_order(web: Path, entry: str, modules: dict[str, _Module]) -> list[str]:
    """A module and all that it imports, each after what it imports itself."""
    order: dict[str, None] = {}

    def visit(name: str, path: tuple[str, ...]) -> None:
        if name in path:
            raise ValueError(f"{name} imports itself by way of {path[-1]}.")
        if name in order:
            return
        if name not in modules:
            modules[name] = _read(name, (web / name).read_text(encoding="utf-8"))
        for other in modules[name].imports:
            visit(other, (*path, name))
        order[name] = None

    visit(entry, ())
    return list(order)


def _read(name: str, source: str) -> _Module:
    imports = tuple(_file(name, one) for _, one in _IMPORT.findall(source))
    exports = tuple(
        part.strip()
        for names in _EXPORT.findall(source)
        for part in names.strip("{}").split(",")
        if part.strip()
    )
    rest = _LEFT.search(_EXPORT.sub("", _IMPORT.sub("", source)))
    if rest is not None:
        raise ValueError(f"{name}: not a form that is known here: {rest[0]}")
    entries = tuple(
        _beside(name, asked) for pair in _BESIDE.findall(source) for asked in pair if asked
    )
    return _Module(source, imports, exports, entries)


def _file(name: str, asked: str) -> str:
    if asked == "leaflet":
        return _LEAFLET
    return _beside(name, asked) if asked.startswith(".") else asked.removeprefix("leeward/")


def _beside(name: str, asked: str) -> str:
    return posixpath.normpath(posixpath.join(posixpath.dirname(name), asked))


def _script(order: list[str], modules: dict[str, _Module]) -> str:
    """The last one is the entry."""
    numbers = {name: f"${number}" for number, name in enumerate(order)}
    parts = []
    for name in order:
        module = modules[name]
        body = _EXPORT.sub("", _IMPORT.sub(partial(_bound, name, numbers, modules), module.source))
        body = _BESIDE.sub(partial(_placed, name, order[-1]), body)
        given = ", ".join(module.exports)
        parts.append(
            f"const {numbers[name]} = (() => {{ // /web/{name}\n{body}\nreturn {{ {given} }};\n}})();\n"
        )
    given = ", ".join(modules[order[-1]].exports)  # for who asks for the entry while it runs
    return "".join(parts) + (
        f"export const {{ {given} }} = {numbers[order[-1]]};\n" if given else ""
    )


def _bound(
    name: str, numbers: dict[str, str], modules: dict[str, _Module], found: re.Match[str]
) -> str:
    """An import as a constant."""
    names, other = found[1], _file(name, found[2])
    if names.startswith("*"):
        return f"const {names.removeprefix('* as ')} = {numbers[other]};"
    wanted = {one.split(" as ")[0].strip() for one in names.strip("{}").split(",")} - {""}
    unknown = wanted.difference(modules[other].exports)
    if unknown:
        raise ValueError(f"{name}: {other} does not export {min(unknown)}.")
    return f"const {names.replace(' as ', ': ')} = {numbers[other]};"


def _placed(name: str, entry: str, found: re.Match[str]) -> str:
    """Beside the joined form of an entry lie those of the others, as their sources lie in the folder."""
    asked = found[1] or found[2]
    seen = posixpath.relpath(_beside(name, asked), posixpath.dirname(entry) or ".")
    return found[0].replace(f"'{asked}'", f"'{seen if seen.startswith('.') else './' + seen}'")
