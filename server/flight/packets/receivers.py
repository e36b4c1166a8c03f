"""Several receivers on one gpsd: which of them speaks for the source, at any moment.

Each has a name: the source's own for the one that speaks for it, "gps@ttyACM1" for any other. The plan
may name the device; otherwise it is, of those with a fix, the first by name that has had one within
HELD_MS. So it depends on the set of receptions alone, and the car's place does not alternate.
"""

from __future__ import annotations

import re

from decoders.readings import GpsdRules, Reading
from server.flight.inputs import Reception

HELD_MS = 10_000  # without a fix, before another takes over; a receiver reports every second
MAX_NAME_CHARACTERS = 30


class Receivers:
    """Fed the receptions of gpsd in order of hearing; `out_of_order` is True where one was not."""

    def __init__(self) -> None:
        self._fix_ms: dict[str, dict[str, int]] = {}  # source -> device -> when it last had a fix
        self._latest_ms: dict[str, int] = {}
        self.out_of_order = False

    def suffix(self, reception: Reception, device: str, fix: bool, reading: Reading | None) -> str:
        """What the source's name gets behind it for this reception; "" mostly."""
        if isinstance(reading, GpsdRules):
            return "" if device == reading.device else _short(device)
        source, now_ms = reception.source, reception.heard_at_ms
        fixes = self._fix_ms.setdefault(source, {})
        several = len(fixes.keys() | {device}) > 1
        if several and now_ms < self._latest_ms.get(source, now_ms):
            self.out_of_order = True
        self._latest_ms[source] = max(now_ms, self._latest_ms.get(source, now_ms))
        recent = [d for d, ms in fixes.items() if 0 < now_ms - ms <= HELD_MS and d != device]
        if fix:
            recent = [d for d in recent if d < device]
            fixes[device] = max(now_ms, fixes.get(device, now_ms))
        return _short(device) if recent else ""


def _short(device: str) -> str:
    name = re.sub(r"[^A-Za-z0-9._-]", "-", device.rpartition("/")[2] or device)
    return f"@{name[:MAX_NAME_CHARACTERS]}"
