"""The maps that a plan names, opened."""

from __future__ import annotations

from pathlib import Path

from server.atlas.basemap import Basemap, Online, open_basemap
from server.plan import PlanFile


def maps_of(plan: PlanFile, folder: Path) -> Basemap:
    """The plan's maps, opened from its folder."""
    asked = plan.basemap
    online = None
    if asked.online is not None:
        online = Online(asked.online, asked.online_attribution, asked.online_max_zoom)
    return open_basemap(folder, asked.files, asked.layers, online)
