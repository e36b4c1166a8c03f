"""What the program is installed with: `python -m tests.licences` lists each distribution with its release,
licence and size, and why it is there.

That is what pyproject.toml names, all extras but the tests', and what those need in turn, as installed here.
"""

from __future__ import annotations

import re
import sys
import tomllib
from dataclasses import dataclass
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

PYPROJECT = Path(__file__).parent.parent / "pyproject.toml"
OURS = "leeward"
EXTRAS = ("mqtt", "grib", "geotiff", "roads")
_TROVE = "License :: "


@dataclass(frozen=True, slots=True)
class Installed:
    """`licence`: an SPDX expression or the name that its maker gives; "" where none is told. `because`: our
    reason, or who needs it."""

    name: str
    release: str
    licence: str
    size_mb: float
    because: str


def installed() -> list[Installed]:
    """All of them by name; what is not installed here, an extra perhaps, is left out."""
    found: dict[str, Installed] = {}
    asked: set[tuple[str, str]] = set()
    why = reasons()

    def take(name: str, extras: tuple[str, ...], needed_by: str) -> None:
        try:
            one = distribution(name)
        except PackageNotFoundError:
            return
        if name != OURS and name not in found:
            because = why.get(name) or f"for {needed_by}"
            found[name] = Installed(name, one.version, licence(one), _size_mb(one), because)
        for extra in ("", *extras):
            if (name, extra) in asked:
                continue
            asked.add((name, extra))
            for line in one.requires or ():
                needed = Requirement(line)
                if needed.marker is None or needed.marker.evaluate({"extra": extra}):
                    take(canonicalize_name(needed.name), tuple(needed.extras), name)

    take(OURS, EXTRAS, "")
    return [found[name] for name in sorted(found)]


def reasons() -> dict[str, str]:
    """Of what pyproject.toml names, by name: the comment behind it; "" where there is none."""
    text = PYPROJECT.read_text(encoding="utf-8")
    project = tomllib.loads(text)["project"]
    extras = project["optional-dependencies"]
    named = [*project["dependencies"], *(line for extra in EXTRAS for line in extras[extra])]
    found = {}
    for line in named:
        behind = re.search(re.escape(f'"{line}"') + r"[^#\n]*(?:#\s*(.*))?", text)
        found[str(canonicalize_name(Requirement(line).name))] = (
            behind[1] if behind and behind[1] else ""
        )
    return found


def licence(one: Distribution) -> str:
    """As its maker tells it."""
    told = one.metadata.json
    if expression := told.get("license_expression"):
        return str(expression)
    trove = [c.split(" :: ")[-1] for c in told.get("classifier", ()) if c.startswith(_TROVE)]
    return " / ".join(trove) or str(told.get("license", "")).partition("\n")[0] or _title(one)


def _title(one: Distribution) -> str:
    """The first line of the licence that it carries."""
    carried = [file for file in one.files or () if file.name.startswith("LICENSE")]
    lines = (line.strip() for file in carried for line in file.read_text().splitlines())
    return next((line for line in lines if line), "")


def _size_mb(one: Distribution) -> float:
    return sum(file.size or 0 for file in one.files or ()) / 1e6


if __name__ == "__main__":
    every = installed()
    for row in every:
        sys.stdout.write(
            f"{row.name:22} {row.release:16} {row.size_mb:6.1f} MB  "
            f"{row.licence or 'none told':52} {row.because}\n"
        )
    sys.stdout.write(f"{len(every)} distributions, {sum(row.size_mb for row in every):.0f} MB\n")
