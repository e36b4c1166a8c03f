"""What a car may drive: access, one-ways and barriers of OpenStreetMap's tags.

Keys and values as the OpenStreetMap wiki documents them (Key:access, Key:oneway, Key:barrier,
Tag:route=ferry). The more specific key decides: motorcar, motor_vehicle, vehicle, access.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntEnum
from typing import NamedTuple

Tags = Mapping[str, str]


class Entry(IntEnum):
    """Whether a crew's car may be there."""

    CLOSED = 0
    DESTINATION = 1  # for whoever has business there: at the ends of a drive, never through
    OPEN = 2


_KEYS = ("motorcar", "motor_vehicle", "vehicle", "access")  # the most specific first
_OPEN = {"yes", "permissive", "designated", "official", "public", "destination;yes"}
_DESTINATION = {"destination", "customers", "visitors", "residents", "permit", "delivery"}
# agricultural and forestry: farm and forest vehicles alone; private: nobody without leave
_CLOSED = {"no", "private", "agricultural", "forestry", "agricultural;forestry", "military",
           "emergency", "psv", "bus", "use_sidepath", "restricted", "hgv", "no;agricultural"}  # fmt: skip

# open to a car unless tags say otherwise; whatever other class there is, is not
ROADS = (
    "motorway", "motorway_link", "trunk", "trunk_link", "primary", "primary_link", "secondary",
    "secondary_link", "tertiary", "tertiary_link", "unclassified", "residential", "living_street",
    "road", "service", "track",
)  # fmt: skip
# closed unless tags let cars in
_NARROW = {"pedestrian", "cycleway", "footway", "path", "bridleway"}
_SERVICE_CLOSED = {"emergency_access", "bus"}
_SERVICE_DESTINATION = {"driveway", "parking_aisle", "drive-through"}

_FORWARD = {"yes", "true", "1"}
_BACKWARD = {"-1", "reverse"}
_BOTH = {"no", "false", "0", "alternating"}

# a node across the road: blocks a car unless tags let it through
_BLOCKS = {
    "bollard", "block", "chain", "log", "debris", "jersey_barrier", "cycle_barrier", "stile",
    "motorcycle_barrier", "kissing_gate", "turnstile", "horse_stile", "full-height_turnstile",
    "planter", "fence", "wall", "hedge", "guard_rail", "ditch", "spikes", "rope", "sump_buster",
    "delineators", "bus_trap",
}  # fmt: skip
_OPENS = {"gate", "lift_gate", "swing_gate", "sliding_gate", "bump_gate", "hampshire_gate",
          "sliding_beam", "wicket_gate", "height_restrictor"}  # fmt: skip


class Passage(NamedTuple):
    """A way: who may enter it, along its nodes and against them."""

    forward: Entry
    backward: Entry

    @property
    def any(self) -> Entry:
        return max(self.forward, self.backward)


CLOSED = Passage(Entry.CLOSED, Entry.CLOSED)


def _said(tags: Tags, suffix: str = "") -> Entry | None:
    """What the most specific key says; None: nothing that is known."""
    for key in _KEYS:
        value = tags.get(key + suffix)
        if value is None:
            continue
        values = {part.strip() for part in value.split(";")} | {value}
        if values & _OPEN:
            return Entry.OPEN
        if values & _DESTINATION:
            return Entry.DESTINATION
        if values & _CLOSED:
            return Entry.CLOSED
    return None


def passage(tags: Tags) -> Passage:
    """Of a way with `highway` or a ferry's `route`."""
    is_ferry = tags.get("route") in ("ferry", "shuttle_train") and "highway" not in tags
    entry = _ferry(tags) if is_ferry else _road(tags)
    if entry is Entry.CLOSED and not any(
        f"{key}:{way}" in tags for key in _KEYS for way in ("forward", "backward")
    ):
        return CLOSED
    forward = backward = entry
    one_way = _one_way(tags)
    if one_way > 0:
        backward = Entry.CLOSED
    elif one_way < 0:
        forward = Entry.CLOSED
    if one_way == 2:  # its direction changes with the hour
        return CLOSED
    said = _said(tags, ":forward")
    if said is not None and one_way >= 0:
        forward = said
    said = _said(tags, ":backward")
    if said is not None and one_way <= 0:
        backward = said
    return Passage(forward, backward)


def _road(tags: Tags) -> Entry:
    kind = tags.get("highway", "")
    if tags.get("area") == "yes" or tags.get("service") in _SERVICE_CLOSED:
        return Entry.CLOSED
    if tags.get("impassable") == "yes" or tags.get("smoothness") == "impassable":
        return Entry.CLOSED
    said = _said(tags)
    if kind in _NARROW:  # only where cars are named: access=yes is said of feet
        named = _said({k: v for k, v in tags.items() if k != "access"})
        return Entry.CLOSED if named is None else named
    if kind not in ROADS:
        return Entry.CLOSED
    if said is None:
        said = Entry.OPEN
    if said is Entry.OPEN and tags.get("service") in _SERVICE_DESTINATION:
        return Entry.DESTINATION
    return said


def _ferry(tags: Tags) -> Entry:
    said = _said(tags)
    if said is not None:
        return said
    # one that names its passengers and no vehicle takes none
    on_foot = any(tags.get(key) in ("yes", "designated") for key in ("foot", "bicycle"))
    return Entry.CLOSED if on_foot else Entry.OPEN


def _one_way(tags: Tags) -> int:
    """1 along the way, -1 against it, 0 both ways, 2 neither can be relied on."""
    for key in ("oneway:motorcar", "oneway:motor_vehicle", "oneway:vehicle", "oneway"):
        value = tags.get(key)
        if value in _FORWARD:
            return 1
        if value in _BACKWARD:
            return -1
        if value in _BOTH:
            return 0
        if value == "reversible":
            return 2
    round_about = tags.get("junction") in ("roundabout", "circular")
    return 1 if round_about or tags.get("highway") == "motorway" else 0


class Node(NamedTuple):
    """A node that a car passes: blocked, or how long it holds a car up."""

    blocked: bool
    delay_s: float
    signals: bool


def node(tags: Tags, gate_s: float, toll_s: float) -> Node | None:
    """None: nothing that a car would notice."""
    barrier = tags.get("barrier")
    signals = tags.get("highway") == "traffic_signals"
    said = _said(tags)
    if barrier in _BLOCKS:
        return None if said is not None and said > Entry.CLOSED else Node(True, 0.0, signals)
    if barrier in _OPENS:
        if said is Entry.CLOSED or (tags.get("locked") == "yes" and said is None):
            return Node(True, 0.0, signals)
        # to be opened and shut, unless somebody says that it lets cars by
        return Node(False, 0.0 if said is not None else gate_s, signals)
    if barrier == "toll_booth":
        return Node(False, toll_s, signals)
    if barrier is not None and said is Entry.CLOSED:
        return Node(True, 0.0, signals)
    return Node(False, 0.0, True) if signals else None
