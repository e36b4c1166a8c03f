"""Several receivers on one gpsd: which of them speaks for the source.

Each has a name: the source's own for the one that speaks for it, "gps@ttyACM1" for any other. The
plan may name the device; otherwise it is the first with a fix, until it has had none for a while and
another has.
"""

from __future__ import annotations

import re

import orjson

HELD_S = 10.0  # without a fix, before another receiver takes over; a receiver reports every second
_WITH_FIX = 2  # gpsd's mode: 2 is a fix in two dimensions, 3 in three
MAX_NAME_CHARACTERS = 30


class Receivers:
    """Fed gpsd's objects in order of hearing."""

    def __init__(self, wanted: str | None = None) -> None:
        """`wanted`: path of the device that the plan names."""
        self._main = wanted
        self._fixed = wanted is not None
        self._main_fix_s = float("-inf")

    def suffix(self, line: bytes, heard_at_s: float) -> str:
        """What the name of the source gets behind it for this line; "" mostly."""
        try:
            content = orjson.loads(line)
        except orjson.JSONDecodeError:
            return ""
        device = content.get("device") if isinstance(content, dict) else None
        if not isinstance(device, str) or not device:
            return ""
        mode = content.get("mode") if content.get("class") == "TPV" else None
        if not self._fixed and isinstance(mode, int) and mode >= _WITH_FIX:
            self._choose(device, heard_at_s)
        if self._main is None or device == self._main:
            return ""
        name = re.sub(r"[^A-Za-z0-9._-]", "-", device.rpartition("/")[2] or device)
        return f"@{name[:MAX_NAME_CHARACTERS]}"

    def _choose(self, device: str, heard_at_s: float) -> None:
        if device != self._main and heard_at_s - self._main_fix_s > HELD_S:
            self._main = device
        if device == self._main:
            self._main_fix_s = heard_at_s
