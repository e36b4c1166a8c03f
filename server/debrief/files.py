"""What `leeward debrief` writes, flight by flight, with a progress bar."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import typer

from server.debrief import export
from server.debrief.bufr import BufrUnavailable, sounding_bufr
from server.debrief.lessons import plan_fragment
from server.debrief.reader import Reader, reading
from server.debrief.record import FlightRecord, replay_flights
from server.debrief.sounding import CAVEAT, sounding, sounding_csv
from server.flight.inputs import Plan
from server.flight.landing.question import Terrain
from server.journal.photos import photos_beside
from server.journal.recording import Recording

_STEPS = 100


@dataclass(frozen=True)
class Given:
    """One recording to debrief, of one flight or several."""

    path: Path
    recording: Recording
    plan: Plan
    terrain: Terrain | None


def write_debrief(
    given: Sequence[Given], out: Path, who: Reader | None = None
) -> list[FlightRecord]:
    """Write each flight's files into `out`, the pages for this reader. OSError: it cannot be written to."""
    from server.debrief.compare import comparison_csv, comparison_page
    from server.debrief.page import flight_page  # folium takes most of a second
    from server.debrief.profile import pictures

    out.mkdir(parents=True, exist_ok=True)
    records: list[FlightRecord] = []
    sources = [one.path for one in given]
    for one, stem in zip(given, stems(sources), strict=True):
        found = _replayed(one)
        for record in found:
            of_flight = stem if len(found) == 1 else f"{stem}-{_file_name(record.name)}"
            for problem in record.problems:
                typer.echo(f"{one.path.name}: {problem}", err=True)
            for ending, content in export.files(record).items():
                write(out / f"{of_flight}{ending}", content, sources)
            levels = sounding(record)
            if levels:
                write(out / f"{of_flight}-sounding.csv", sounding_csv(levels), sources)
                try:
                    write(
                        out / f"{of_flight}-sounding.bufr", sounding_bufr(record, levels), sources
                    )
                except BufrUnavailable as left_out:
                    typer.echo(f"{one.path.name}: {left_out}", err=True)
            fragment = plan_fragment(record).encode()
            write(out / f"{of_flight}-next-plan.toml", fragment, sources)
            photo = photos_beside(one.path).of(record.photo) if record.photo else None
            with reading(who or Reader()):
                page = flight_page(record, pictures(levels), CAVEAT, photo)
            write(out / f"{of_flight}.html", page, sources)
            records.append(record)
    if len(records) > 1:
        with reading(who or Reader()):
            compared = comparison_page(records)
        write(out / "flights.html", compared, sources)
        write(out / "flights.csv", comparison_csv(records), sources)
    return records


def _replayed(one: Given) -> tuple[FlightRecord, ...]:
    with typer.progressbar(length=_STEPS, label=one.path.name) as bar:
        done = 0

        def progress(part: float) -> None:
            nonlocal done
            steps = round(part * _STEPS)
            bar.update(steps - done)
            done = steps

        return replay_flights(one.recording, one.plan, one.terrain, progress)


def stems(paths: Sequence[Path]) -> list[str]:
    """A file name for each flight, told apart where two have one name."""
    found: list[str] = []
    for path in paths:
        stem = _file_name(path.stem)
        name, number = stem, 2
        while name in found:
            name, number = f"{stem}-{number}", number + 1
        found.append(name)
    return found


def _file_name(text: str) -> str:
    return re.sub(r"[^\w.-]", "_", text) or "flight"


def write(path: Path, content: bytes, sources: Sequence[Path]) -> None:
    """Write a file, but never over a recording that was given."""
    if path.exists() and any(path.samefile(source) for source in sources):
        typer.echo(f"{path}: is a flight's own recording, left as it is", err=True)
        return
    path.write_bytes(content)
    typer.echo(str(path))
