"""Links to hand on: one for those who watch, one for the crew, one for each phone on a box.

Shown to the crew as text and as QR codes (ISO/IEC 18004), on the page /links and by `leeward links`.
"""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import segno

from server.screen.codes import qr_svg
from server.screen.keys import Keys

BASE = re.compile(r"https?://[A-Za-z0-9.:\[\]-]{1,260}(/[A-Za-z0-9._~/-]{0,200})?")


@dataclass(frozen=True, slots=True)
class Link:
    name: str
    what: str  # who gets it, and what it lets them do
    path: str  # with the key behind the #, which no server and no proxy sees

    def url(self, base: str) -> str:
        return base.rstrip("/") + self.path


def links_of(keys: Keys, beacons: Iterable[tuple[str, str]]) -> list[Link]:
    """`beacons`: names of phones and their tokens."""
    return [
        Link(
            "Session",
            "Whoever wants to look on. It lets them see, and do nothing.",
            f"/#key={keys.watch}",
        ),
        Link(
            "Crew",
            "The crew alone. It lets them acknowledge alarms, say where a car is, "
            "and see these links.",
            f"/#key={keys.crew}",
        ),
        *(
            Link(
                name,
                "The phone on the box alone. It posts its position on the ground, "
                "and sees nothing.",
                f"/beacon/{token}",
            )
            for name, token in beacons
        ),
    ]


def described(links: Iterable[Link], base: str) -> list[dict[str, Any]]:
    """As the page shows them, each with its code as an image."""
    return [
        {
            "name": link.name,
            "what": link.what,
            "url": link.url(base),
            "code": _image(link.url(base)),
        }
        for link in links
    ]


def in_terminal(links: Iterable[Link], base: str) -> str:
    """As `leeward links` prints them."""
    parts = []
    for link in links:
        out = io.StringIO()
        segno.make(link.url(base), error="m", micro=False).terminal(out, border=2, compact=True)
        parts.append(f"{link.name}: {link.what}\n{link.url(base)}\n{out.getvalue()}")
    return "\n".join(parts)


def _image(url: str) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(qr_svg(url)).decode()
