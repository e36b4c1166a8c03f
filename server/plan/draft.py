"""A first plan as text, with what may be added as comments."""

from __future__ import annotations

import secrets
from typing import Any


def plan_of(answers: dict[str, Any]) -> str:
    """The plan as text, with what may be added as comments."""
    lines = [
        "# Made by leeward new. What stands behind # may be added; README.md tells the rest.",
        *_section("[flight]", name=answers["name"]),
        *_section(
            "[launch]",
            latitude_deg=answers["latitude"],
            longitude_deg=answers["longitude"],
            altitude_m=answers["altitude"],
        ),
    ]
    if answers["time"] is None:
        lines.insert(-1, "# time = 2026-06-06T13:00:00Z")
    else:
        lines.insert(-1, f"time = {answers['time']}")
    lines += [
        "# [balloon]                     # without it, as real flights did",
        "# burst_altitude_m = 30_000",
        "# ascent_rate_ms = 5.0",
        "",
    ]
    if answers["mass"] is not None and answers["parachute"] is not None:
        lines += _section(
            "[descent]", mass_kg=answers["mass"], parachute_diameter_m=answers["parachute"]
        )
    else:
        lines += ["# [descent]                     # mass and parachute tell how fast it falls"]
        lines += ["# mass_kg = 2.1", "# parachute_diameter_m = 1.8", ""]
    for number, (name, sign) in enumerate(answers["trackers"]):
        role = "main" if number == 0 else "backup"
        lines += _section("[[trackers]]", name=name, role=role, callsign=sign)
    if answers["phone"]:
        lines += _section(
            "[[trackers]]",
            name="Phone",
            role="phone",
            source="phone",
            token=secrets.token_urlsafe(12),
        )
        lines += _section("[[sources]]", name="phone", kind="phone")
    for number, one in enumerate(answers["sources"]):
        lines += _section("[[sources]]", name=f"radio-{number + 1}", kind=one.kind, **one.where)
    if not answers["sources"]:
        lines += [
            "# [[sources]]                   # how trackers are heard; README.md lists the kinds"
        ]
        lines += ['# name = "tnc"', '# kind = "kiss-serial"', '# device = "/dev/ttyUSB0"', ""]
    if answers["gps"] is not None:
        lines += _section(
            "[[sources]]", name="gps", kind=answers["gps"].kind, **answers["gps"].where
        )
    for number, (name, sign) in enumerate(answers["cars"]):
        own = number == 0
        heard = {"callsign": sign} if sign else {"source": "gps"} if own and answers["gps"] else {}
        lines += _section("[[vehicles]]", name=name, own=own or None, **heard)
    lines += [
        "# [terrain]                     # heights of the ground: SRTM tiles",
        '# folder = "terrain"',
        "# [forecast]                    # winds: GRIB2 or a CSV",
        '# file = "winds.grib2"',
        "# [winds]                       # measured ones: an earlier flight, a radiosonde",
        '# files = ["lark-1.sqlite3"]',
    ]
    return "\n".join(lines) + "\n"


def _section(heading: str, **values: Any) -> list[str]:
    lines = [heading]
    for key, value in values.items():
        if value is None or value == "":
            continue
        if isinstance(value, bool):
            lines.append(f"{key} = {str(value).lower()}")
        elif isinstance(value, int | float):
            lines.append(f"{key} = {value}")
        else:
            quoted = str(value).replace("\\", "\\\\").replace('"', '\\"')
            lines.append(f'{key} = "{quoted}"')
    return [*lines, ""]
