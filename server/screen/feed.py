"""What the screen is given: the present state, the history behind it, and doors for the crew.

The screen knows no station and no replay: whoever has this shape can be shown.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from server.flight.mission_state import State
from server.flight.road_state import Reach
from server.flight.state import Mode
from server.flight.view.history import History
from server.flight.view.winds import Winds
from server.session.session import NotStored, Refused

__all__ = ["Feed", "History", "NotStored", "Refused"]


class Feed(Protocol):
    mode: Mode

    @property
    def number(self) -> int:
        """Receptions taken in so far, as the state has it."""

    def state(self) -> State:
        """The state at this moment."""

    def history(self) -> History: ...

    def winds(self, flight: str) -> Winds | None:
        """What the landing of that flight ("": the first) rests on; None: there is none."""

    async def reach(self, vehicle: str) -> Reach | None:
        """How far that vehicle gets over the roads; None: it is not known, or no roads are."""

    def subscribe(self, on_change: Callable[[], None]) -> Callable[[], None]:
        """Call `on_change` in the event loop at each change; gives back how to stop that."""

    async def receive(self, source: str, payload: bytes) -> int:
        """Put a posted body on disk, then use it; its number in the journal. Raises NotStored."""

    async def command(
        self,
        kind: str,
        name: str,
        latitude_deg: float | None = None,
        longitude_deg: float | None = None,
        flight: str = "",
    ) -> None:
        """`acknowledge` the alarm `name`, place the `vehicle` `name` or `assign` it to a flight, or say
        of a flight's `phase`: `name`.

        Raises Refused.
        """

    async def control(self, action: str, value: float | str | None) -> None:
        """`play`, `pause`, `speed` (times) or `seek` (UTC seconds). Raises Refused when live."""

    def phone_source(self, token: str) -> str | None:
        """The source that a beacon token belongs to, compared in constant time."""

    def json_source(self, token: str) -> str | None:
        """The source that JSON posted with this token belongs to, compared in constant time."""
