"""Runs one bench: `python -m tests.bench NAME [--json] [--seconds N]`.

A bench is a module beside this one with `run() -> dict` of figures; one that takes `seconds` runs
that long. Figures print as a table, or as one JSON object for a program.
"""

from __future__ import annotations

import argparse
import importlib
import inspect
import pkgutil
import sys
from pathlib import Path
from typing import Any

import orjson


def names() -> list[str]:
    """The benches that are there."""
    found = pkgutil.iter_modules([str(Path(__file__).parent)])
    return sorted(module.name for module in found if not module.name.startswith("_"))


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("name", choices=names())
    parser.add_argument("constant", nargs="?", help="which, for the bench that fits one")
    parser.add_argument("--json", action="store_true", help="one JSON object instead of a table")
    parser.add_argument("--seconds", type=float, help="how long, for benches that take it")
    parser.add_argument("--packets", type=int, help="how many, for benches that take it")
    parser.add_argument("--times", type=int, help="how often each fault is made")
    parser.add_argument("--first", type=int, help="the first seed, for benches that take it")
    parser.add_argument("--against", help="a commit to measure beside, for benches that take it")
    asked = parser.parse_args(arguments)
    run = importlib.import_module(f"{__package__}.{asked.name}").run
    takes = inspect.signature(run).parameters
    options: dict[str, Any] = {}
    for option in ("constant", "seconds", "packets", "first", "times", "against"):
        if (value := getattr(asked, option)) is not None:
            if option not in takes:
                parser.error(f"the bench {asked.name} does not take --{option}")
            options[option] = value
    figures = run(**options)
    if asked.json:
        sys.stdout.write(orjson.dumps(figures).decode() + "\n")
    elif isinstance(figures, list):
        print_table({str(number): row for number, row in enumerate(figures, start=1)})
    else:
        print_table(figures)
    return 0


def print_table(figures: dict[str, Any], indent: str = "") -> None:
    """Name and figure by line; a figure that is a dictionary stands indented below its name.

    Where every figure is a flat dictionary with the same keys, they stand side by side.
    """
    if columns := _columns(figures):
        _print_columns(figures, columns)
        return
    width = max((len(str(name)) for name in figures), default=0)
    for name, figure in figures.items():
        if isinstance(figure, dict):
            sys.stdout.write(f"{indent}{name}\n")
            print_table(figure, indent + "  ")
        else:
            sys.stdout.write(f"{indent}{name!s:<{width}}  {_shown(figure)}\n")


def _columns(figures: dict[str, Any]) -> list[str]:
    rows = list(figures.values())
    if len(rows) < 2 or not all(isinstance(row, dict) and row for row in rows):
        return []
    first = list(rows[0])
    flat = all(not isinstance(figure, dict) for row in rows for figure in row.values())
    return first if flat and all(list(row) == first for row in rows) else []


def _print_columns(figures: dict[str, Any], columns: list[str]) -> None:
    width = max(len(str(name)) for name in figures)
    sys.stdout.write(" " * width + "".join(f"  {name:>12}" for name in columns) + "\n")
    for name, row in figures.items():
        cells = "".join(f"  {_shown(row[column]):>12}" for column in columns)
        sys.stdout.write(f"{name!s:<{width}}{cells}\n")


def _shown(figure: object) -> str:
    return f"{figure:,.4g}" if isinstance(figure, float) else f"{figure}"


if __name__ == "__main__":
    sys.exit(main())
