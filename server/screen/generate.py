"""Two files of the page, written by `python -m server.screen.generate`; a test says when they are behind.

`web/state.d.ts` has the types of the state's dataclasses, for the type checker alone. `web/panels/side.js`
lists the panels that have a place at the side: a browser cannot ask what is in a folder.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from pydantic import TypeAdapter

from server.flight.mission_state import State
from server.screen.assets import WEB

TYPES = WEB / "state.d.ts"
PANELS = WEB / "panels"
SIDE = PANELS / "side.js"
_PLACE = re.compile(r"^export const place = \{ order: (\d+),", re.MULTILINE)
_SIMPLE = {
    "string": "string",
    "number": "number",
    "integer": "number",
    "boolean": "boolean",
    "null": "null",
}
_Schema = Mapping[str, Any]


def schema() -> _Schema:
    """JSON schema (2020-12) of the state as it is sent."""
    return TypeAdapter(State).json_schema(mode="serialization")


def types() -> str:
    """TypeScript declarations of the state and of all in it, with their docstrings."""
    whole = schema()
    parts = {**whole["$defs"], "State": whole}
    head = (
        "// Made by `python -m server.screen.generate` from server/flight/*state.py. Do not edit.\n"
    )
    return head + "".join(_declared(name, part) for name, part in sorted(parts.items()))


def _declared(name: str, part: _Schema) -> str:
    words = [line.strip() for line in str(part.get("description", "")).splitlines()]
    comment = "".join(f" *{' ' + line if line else ''}\n" for line in words)
    head = f"\n/**\n{comment} */\n" if comment else "\n"
    if "properties" not in part:
        return f"{head}export type {name} = {_typed(part)};\n"
    fields = "".join(f"  {key}: {_typed(value)};\n" for key, value in part["properties"].items())
    return f"{head}export interface {name} {{\n{fields}}}\n"


def _typed(part: _Schema) -> str:
    if "$ref" in part:
        return str(part["$ref"]).rpartition("/")[2]
    if "const" in part or "enum" in part:
        return " | ".join(f"'{value}'" for value in part.get("enum", [part.get("const")]))
    for both in ("anyOf", "oneOf"):
        if both in part:
            return " | ".join(dict.fromkeys(_typed(one) for one in part[both]))
    if part.get("type") == "array":
        if "prefixItems" in part:
            return f"[{', '.join(_typed(one) for one in part['prefixItems'])}]"
        inner = _typed(part["items"])
        return f"({inner})[]" if "|" in inner else f"{inner}[]"
    if part.get("type") == "object":
        return f"Record<string, {_typed(part.get('additionalProperties', {}))}>"
    return _SIMPLE.get(str(part.get("type")), "any")


def side() -> str:
    """The module with the panels at the side, in the order that each of them states."""
    found = []
    for path in PANELS.glob("*.js"):
        place = _PLACE.search(path.read_text(encoding="utf-8"))
        if place is not None:
            found.append((int(place[1]), path.stem))
    names = [name for _, name in sorted(found)]
    head = (
        "/** The panels at the side, in their order: those with a `place`. Do not edit.\n"
        " * Made by `python -m server.screen.generate`. */\n\n"
    )
    imports = (f"import {{ place as {one} }} from 'leeward/panels/{one}.js';\n" for one in names)
    return f"{head}{''.join(imports)}\nexport const SIDE = [{', '.join(names)}];\n"


if __name__ == "__main__":
    SIDE.write_text(side(), encoding="utf-8")
    TYPES.write_text(types(), encoding="utf-8")
