"""Where maps, heights and winds are fetched from unless the plan says otherwise, and on what terms.

These are public services whose interface is documented. None of them was reached where this was written:
what is asked of them follows their documentation, and a plan can name another address for each.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from server.geodata.packed import Kind


@dataclass(frozen=True)
class Service:
    """`address` as it is asked; `terms`: licence and credit, told before anything is fetched."""

    address: str
    terms: str


SERVICES: dict[Kind, Service] = {
    # {date}: daily builds, kept about a week; one file of the whole Earth, served in parts
    "map": Service(
        "https://build.protomaps.com/{date}.pmtiles",
        "© OpenStreetMap contributors, Open Database License 1.0; built by Protomaps",
    ),
    # {tile}: N38W099, {row}: N38
    "terrain": Service(
        "https://elevation-tiles-prod.s3.amazonaws.com/skadi/{row}/{tile}.hgt.gz",
        "Terrain Tiles on AWS (Tilezen Joerd): SRTM, 3DEP and GMTED2010 courtesy of the U.S. Geological "
        "Survey, and others; credit as its attribution page says",
    ),
    "forecast": Service(
        "https://nomads.ncep.noaa.gov/cgi-bin/filter_gfs_0p25.pl",
        "Global Forecast System, NOAA/NCEP: public domain (a work of the U.S. government)",
    ),
}
DAYS_BACK = 8  # of daily builds


def service(kind: Kind, address: str | None) -> Service:
    """The plan's, or ours. Terms of another's service are its owner's to tell."""
    if address is None:
        return SERVICES[kind]
    return Service(address, "as whoever runs that service says")


def dated(address: str, now_s: float) -> list[str]:
    """The address for today and the days before, where it has a {date}."""
    if "{date}" not in address:
        return [address]
    today = datetime.fromtimestamp(now_s, UTC)
    days = (today - timedelta(days=back) for back in range(DAYS_BACK))
    return [address.replace("{date}", f"{day:%Y%m%d}") for day in days]
