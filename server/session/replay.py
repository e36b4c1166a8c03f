"""A flight played again from its receptions: what is shown is what was known at that moment."""

from __future__ import annotations

import asyncio
import functools
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

from server.flight.chase.question import Chaser
from server.flight.inputs import Command, Plan, Reception, Tick
from server.flight.landing.measured_winds import MeasuredWinds
from server.flight.landing.question import Forecast, Terrain
from server.flight.mission import Mission
from server.flight.mission_state import Replay as ReplayShown
from server.flight.mission_state import State
from server.flight.state import Mode
from server.flight.times import moment
from server.session.moments import Moments, moments_of
from server.session.session import Refused, Session

FRAME_S = 0.2
FASTEST = 1_000.0


def state_at(
    receptions: Sequence[Reception],
    plan: Plan,
    until_ms: int | None,
    terrain: Terrain | None = None,
    forecast: Forecast | None = None,
    winds: tuple[MeasuredWinds, ...] = (),
    chaser: Chaser | None = None,
) -> State:
    """The state as it was known at `until_ms` (UTC milliseconds); None: after the last reception."""
    mission = Mission(plan, terrain, forecast, winds)
    mission.receive([r for r in receptions if until_ms is None or r.heard_at_ms <= until_ms])
    if until_ms is not None:
        mission.apply(Tick(until_ms / 1000.0))
    session = Session(mission)
    session.chaser = chaser
    session.settle_landing()
    session.close()
    return session.state()


class Replay(Session):
    """Plays receptions at a speed, pauses, and jumps to any moment."""

    mode: Mode = "replay"

    def __init__(
        self,
        receptions: Sequence[Reception],
        plan: Plan,
        *,
        name: str,
        speed: float,
        clock: Callable[[], float],
        commands: Sequence[Command] = (),
        terrain: Terrain | None = None,
        forecast: Forecast | None = None,
        winds: tuple[MeasuredWinds, ...] = (),
    ) -> None:
        """`clock` gives seconds that pass (monotonic). Receptions are played in order of hearing."""
        super().__init__(Mission(plan, terrain, forecast, winds))
        self._receptions = sorted(receptions, key=lambda r: r.heard_at_ms)
        self._commands = sorted(commands, key=lambda c: c.at_s)
        self._plan, self._terrain, self._forecast, self._winds = plan, terrain, forecast, winds
        self._name, self._clock = name, clock
        self._speed, self._paused = speed, False
        self._played = 0
        self._commands_played = 0
        self.start_s = self._receptions[0].heard_at_s if self._receptions else 0.0
        self.end_s = self._receptions[-1].heard_at_s if self._receptions else 0.0
        self._anchor = (clock(), self.start_s)  # a moment of the clock, and of the flight
        self._own_commands: list[Command] = []
        self._looking = ThreadPoolExecutor(1, thread_name_prefix="moments")
        self._moments: asyncio.Future[Moments] | None = None

    @property
    def position_s(self) -> float:
        """The moment of the flight that is shown."""
        at, position_s = self._anchor
        if self._paused:
            return position_s
        return min(position_s + (self._clock() - at) * self._speed, self.end_s)

    def state(self) -> State:
        position_s = self.position_s
        shown = ReplayShown(
            speed=self._speed,
            paused=self._paused or position_s >= self.end_s,
            position=moment(position_s),
            start=moment(self.start_s),
            end=moment(self.end_s),
            log=self._name,
        )
        return replace(super().state(), replay=shown)

    async def run(self) -> None:
        """Play until cancelled; at the end it stands still and can be moved back."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self.keep_landing())
            while True:
                self.advance()
                await asyncio.sleep(FRAME_S)

    def advance(self) -> None:
        """Take in all that had been heard by now."""
        position_s = self.position_s
        first = self._played
        while self._played < len(self._receptions):
            if self._receptions[self._played].heard_at_s > position_s:
                break
            self._played += 1
        self.mission.receive(self._receptions[first : self._played])
        while self._commands_played < len(self._commands):
            command = self._commands[self._commands_played]
            if command.at_s > position_s:
                break
            self.mission.apply(command)
            self._commands_played += 1
        self.mission.apply(Tick(position_s))
        if self._played > first:
            self.changed()
        else:
            self.notify()

    async def moments(self) -> Moments:
        """Where the events and alarms of the whole recording are; worked out once, off the loop."""
        if self._moments is None:
            begin = functools.partial(
                Mission, self._plan, self._terrain, self._forecast, self._winds
            )
            work = functools.partial(moments_of, begin, self._receptions, self._commands)
            self._moments = asyncio.get_running_loop().run_in_executor(self._looking, work)
        return await asyncio.shield(self._moments)

    def close(self) -> None:
        self._looking.shutdown(wait=False, cancel_futures=True)
        super().close()

    async def control(self, action: str, value: float | str | None) -> None:
        """play, pause, speed (times real time), seek (UTC seconds)."""
        position_s = self.position_s
        if action == "play":
            restart = position_s >= self.end_s
            self._paused = False
            self._anchor = (self._clock(), position_s)
            if restart:
                self._seek(self.start_s)
        elif action == "pause":
            self._anchor = (self._clock(), position_s)
            self._paused = True
        elif action == "speed":
            self._speed = _number(value, "a speed", 0.1, FASTEST)
            self._anchor = (self._clock(), position_s)
        elif action == "seek":
            self._seek(min(max(_number(value, "UTC seconds", 0.0, 1e11), self.start_s), self.end_s))
        else:
            raise Refused(f"'play', 'pause', 'speed' or 'seek' expected, not {action!r}")
        self.advance()

    def _seek(self, position_s: float) -> None:
        back = position_s < self.position_s
        self._anchor = (self._clock(), position_s)
        if back:
            self._played = self._commands_played = 0
            mission = Mission(self._plan, self._terrain, self._forecast, self._winds)
            for command in self._own_commands:
                mission.apply(command)
            self.show(mission)

    async def receive(self, source: str, payload: bytes) -> int:
        raise Refused("A replay takes no new positions.")

    async def command(
        self,
        kind: str,
        name: str,
        latitude_deg: float | None = None,
        longitude_deg: float | None = None,
        flight: str = "",
    ) -> None:
        """Alarms can be acknowledged in a replay too; nothing is stored."""
        order = float(len(self._own_commands))  # whatever moment is shown
        if kind == "acknowledge":
            command = Command(order, "acknowledge", name)
        elif kind == "recall":
            command = Command(order, "recall", name)
        else:
            raise Refused("In a replay the flight and the vehicles are what they were.")
        self._own_commands.append(command)
        self.mission.apply(command)
        self.notify()

    def phone_source(self, token: str) -> str | None:
        return None

    def json_source(self, token: str) -> str | None:
        return None


def _number(value: float | str | None, what: str, least: float, most: float) -> float:
    try:
        number = float(value) if value is not None else float("nan")
    except ValueError:
        number = float("nan")
    if not least <= number <= most:
        raise Refused(f"{what} from {least:g} to {most:g} expected, not {value!r}")
    return number
