"""What is wrong with a plan file, in words: line, key, what was wanted and what was found."""

from __future__ import annotations

import difflib
import re
from typing import Any

from pydantic import BaseModel, ValidationError


def explain(error: ValidationError, model: type[BaseModel], text: str, name: str) -> list[str]:
    """One line for each problem of the file `name`, which holds `text` and should fit `model`."""
    lines = []
    for problem in error.errors(include_url=False):
        place = [part for part in problem["loc"] if not str(part).startswith("function-")]
        line = find_line(text, place) if place else _line_of_value(text, problem["msg"])
        key = ".".join(f"{part + 1}" if isinstance(part, int) else str(part) for part in place)
        message = problem["msg"].removeprefix("Value error, ")
        if problem["type"] == "extra_forbidden":
            message = f"unknown key{_hint(model, place)}"
        found = problem.get("input")
        if isinstance(found, str | int | float) and problem["type"] != "missing":
            message += f" (found {found!r})"
        at = f", line {line}" if line is not None else ""
        lines.append(f"{name}{at}: {key or 'plan'}: {message}")
    return lines


def _hint(whole: type[BaseModel], place: list[Any]) -> str:
    """The nearest key that the section does have; a wrong unit is the usual reason."""
    model: Any = whole
    for part in place[:-1]:
        if isinstance(part, int):
            continue
        if not (isinstance(model, type) and issubclass(model, BaseModel)):
            return ""
        annotation = model.model_fields[part].annotation
        model = next(
            (c for c in _classes(annotation) if isinstance(c, type) and issubclass(c, BaseModel)),
            None,
        )
    if model is None:
        return ""
    near = difflib.get_close_matches(str(place[-1]), list(model.model_fields), n=1, cutoff=0.5)
    return f"; is {near[0]} meant? Units stand in the names" if near else ""


def _classes(annotation: Any) -> list[Any]:
    inner = [c for part in getattr(annotation, "__args__", ()) for c in _classes(part)]
    return [annotation, *inner]


def _line_of_value(text: str, message: str) -> int | None:
    """The line that holds the last value quoted in a message about the plan as a whole."""
    quoted = re.findall(r"'([^']+)'", message)
    for number, line in enumerate(text.splitlines(), start=1):
        if quoted and re.search(rf"""=\s*["']{re.escape(quoted[-1])}["']""", line):
            return number
    return None


_HEADING = re.compile(r"^\s*(\[\[?)\s*([\w.\-]+)\s*\]\]?")
_KEY = re.compile(r"^\s*([\w\-]+)\s*=")


def find_line(text: str, place: list[Any]) -> int | None:
    """The line (from 1) of a key path such as ["sources", 1, "port"], or of its section."""
    if not place:
        return None
    wanted = [part for part in place if not isinstance(part, str) or part.strip("[]")]
    here: list[Any] = []  # the path of the table that the line stands in
    counted: dict[tuple[Any, ...], int] = {}  # tables of arrays so far
    best = None
    for number, line in enumerate(text.splitlines(), start=1):
        heading = _HEADING.match(line)
        if heading:
            here = _path(heading[2].split("."), heading[1] == "[[", counted)
            if here == wanted[: len(here)] or (
                len(here) > len(wanted) and best is None and here[: len(wanted)] == wanted
            ):
                best = number
            continue
        named = _KEY.match(line)
        if named and [*here, named[1]] == wanted[: len(here) + 1]:
            return number
    return best


def _path(names: list[str], of_array: bool, counted: dict[tuple[Any, ...], int]) -> list[Any]:
    """Names of a heading with the numbers of the arrays' tables that it lies in: the latest of each."""
    path: list[Any] = []
    for n, name in enumerate(names):
        path.append(name)
        key = tuple(path)
        if of_array and n == len(names) - 1:
            counted[key] = counted.get(key, -1) + 1
        if key in counted:
            path.append(counted[key])
    return path
