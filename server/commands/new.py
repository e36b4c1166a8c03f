"""`leeward new`: a few questions, each checked as it is answered, and a plan that `leeward check` accepts."""

from __future__ import annotations

import socket
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated, Any, NamedTuple

import typer
from pydantic import TypeAdapter, ValidationError

from server.commands.given import fail
from server.flight.times import format_time, parse_time
from server.plan.draft import plan_of
from server.plan.file import PlanError, parse
from server.plan.flights import Latitude, Longitude, Text
from server.plan.sources import HeardName

_CONNECT_S = 0.3
_LOCAL = "127.0.0.1"
# what listens on these ports of this machine, by the programs' usual choice
_SERVERS = ((8001, "kiss-tcp", "a TNC's KISS port"), (8000, "agw-tcp", "a TNC's AGW port"))
_GPSD_PORT = 2947


class Found(NamedTuple):
    """A way to hear: the kind of source, its key in the plan, and what it is for people."""

    kind: str
    where: dict[str, str | int]
    words: str


def new(
    plan: Annotated[Path, typer.Argument(metavar="PLAN.toml", help="The plan to write.")],
    name: Annotated[str | None, typer.Option(help="Name of the flight.")] = None,
    latitude: Annotated[float | None, typer.Option(help="Of the launch, degrees north.")] = None,
    longitude: Annotated[float | None, typer.Option(help="Degrees east; west is negative.")] = None,
    altitude: Annotated[float | None, typer.Option(help="Metres above mean sea level.")] = None,
    time: Annotated[
        str | None, typer.Option(help="Of the launch, as 2026-06-06T13:00:00Z.")
    ] = None,
    tracker: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=CALLSIGN", help="One for each tracker, the main one first."),
    ] = None,
    phone: Annotated[
        bool | None, typer.Option("--phone/--no-phone", help="A phone reports after the landing.")
    ] = None,
    mass: Annotated[
        float | None, typer.Option(help="Kilograms under the parachute, with it.")
    ] = None,
    parachute: Annotated[float | None, typer.Option(help="Its diameter in metres.")] = None,
    source: Annotated[
        list[str] | None,
        typer.Option(
            metavar="KIND:WHERE",
            help="How trackers are heard: kiss-serial:/dev/ttyUSB0, kiss-tcp:127.0.0.1:8001.",
        ),
    ] = None,
    gps: Annotated[
        str | None,
        typer.Option(metavar="KIND:WHERE", help="Our car's receiver: gpsd-tcp:127.0.0.1:2947."),
    ] = None,
    car: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME[=CALLSIGN]", help="One for each car, ours first."),
    ] = None,
    look: Annotated[
        bool, typer.Option("--look/--no-look", help="Look for receivers on this machine.")
    ] = True,
) -> None:
    """Ask a few questions and write a plan. Every question has an option: it runs without a terminal."""
    if plan.exists():
        raise fail(f"{plan} is there already: name another file, or edit that one.")
    ask = _Asking(sys.stdin.isatty())
    found = found_here() if look else []
    for one in found:
        typer.echo(f"found: {one.words}", err=True)
    radio = [one for one in found if one.kind not in ("gpsd-tcp", "nmea-serial")]
    wanted_sources = [_source(text) for text in source or ()]
    if not wanted_sources and radio and ask.terminal:
        wanted_sources = [one for one in radio if typer.confirm(f"Listen to {one.words}?", True)]
    receiver = None if gps is None else _source(gps)
    if receiver is None:
        receiver = next((one for one in found if one.kind == "gpsd-tcp"), None)
    answers: dict[str, Any] = {
        "name": ask("--name", "Name of the flight", Text, name),
        "latitude": ask("--latitude", "Launch: degrees north", Latitude, latitude),
        "longitude": ask(
            "--longitude", "Launch: degrees east (west is negative)", Longitude, longitude
        ),
        "altitude": ask("--altitude", "Launch: metres above mean sea level", float, altitude),
        "time": _time(
            ask(
                "--time",
                "Launch time, as 2026-06-06T13:00:00Z ('later' for none)",
                str,
                time,
                "later",
            )
        ),
        "trackers": _pairs(tracker, ask, "--tracker", "Tracker: its callsign with SSID", "Main"),
        "phone": phone
        if phone is not None
        else ask.yes("Is a phone aboard that reports after the landing?"),
        "mass": mass,
        "parachute": parachute,
        "sources": wanted_sources,
        "gps": receiver,
        "cars": _pairs(car, ask, "--car", "", "Car 1"),
    }
    if mass is None and ask.terminal and typer.confirm("Are mass and parachute known?", True):
        answers["mass"] = ask("--mass", "Kilograms under the parachute, with it", float, None)
        answers["parachute"] = ask(
            "--parachute", "Diameter of the parachute in metres", float, None
        )
    text = plan_of(answers)
    try:
        parse(text, str(plan))
        plan.write_text(text, encoding="utf-8")
    except (PlanError, OSError) as error:
        raise fail(error) from error
    typer.echo(f"{plan} is written. Next:")
    typer.echo(f"  leeward check {plan}      tries its sources")
    typer.echo(f"  leeward outlook {plan}    compares launch hours, once it names a forecast")
    typer.echo(f"  leeward live {plan}       listens")


class _Asking:
    """An option where it was given, a question where there is a terminal, else an error that names it."""

    def __init__(self, terminal: bool) -> None:
        self.terminal = terminal

    def __call__(self, option: str, words: str, kind: Any, given: Any, default: Any = None) -> Any:
        check = _checker(kind)
        if given is not None:
            try:
                return check(str(given))
            except typer.BadParameter as error:
                raise fail(f"{option}: {error.message}") from error
        if not self.terminal:
            if default is not None:
                return check(str(default))
            raise fail(f"{option} is missing, and there is no terminal to ask at.")
        return typer.prompt(words, default=default, value_proc=check)

    def yes(self, words: str) -> bool:
        return self.terminal and typer.confirm(words, default=False)


def _checker(kind: Any) -> Callable[[str], Any]:
    adapter = TypeAdapter(kind)

    def check(text: str) -> Any:
        try:
            return adapter.validate_python(text.strip())
        except ValidationError as error:
            raise typer.BadParameter(error.errors()[0]["msg"]) from error

    return check


def _time(text: str) -> str | None:
    if text == "later":
        return None
    try:
        return format_time(parse_time(text))
    except ValueError as error:
        raise fail(f"--time: {error}") from error


def _pairs(
    given: list[str] | None, ask: _Asking, option: str, words: str, usual: str
) -> list[tuple[str, str]]:
    """Names with their callsigns ("" for none)."""
    check = _checker(HeardName)
    if given:
        pairs = [one.partition("=")[::2] for one in given]
        try:
            return [(name.strip(), check(sign) if sign else "") for name, sign in pairs]
        except typer.BadParameter as error:
            raise fail(f"{option}: {error.message}") from error
    if not words:
        return [(usual, "")]
    return [(usual, str(ask(option, words, HeardName, None)))]


def _source(text: str) -> Found:
    """`kiss-tcp:127.0.0.1:8001` or `kiss-serial:/dev/ttyUSB0`; that the kind is known, the plan checks."""
    kind, _, where = text.partition(":")
    if kind.endswith("-serial"):
        return Found(kind, {"device": where}, text)
    host, _, port = where.rpartition(":")
    if port and not port.isdigit():
        raise fail(f"--source: KIND:HOST:PORT or KIND:DEVICE expected, not {text!r}")
    told: dict[str, str | int] = {"host": host} if host else {}
    return Found(kind, told | ({"port": int(port)} if port else {}), text)


def found_here(
    servers: Sequence[tuple[int, str, str]] = _SERVERS, gpsd_port: int = _GPSD_PORT
) -> list[Found]:
    """Serial ports, software TNCs and gpsd on this machine; `servers`: port, kind, words of each."""
    from serial.tools.list_ports import comports

    found = [
        Found("kiss-serial", {"device": port.device}, f"{port.device} ({port.description})")
        for port in sorted(comports())
    ]
    for port, kind, words in servers:
        if _listens(port):
            found.append(Found(kind, {"host": _LOCAL, "port": port}, f"{words} at {_LOCAL}:{port}"))
    if _listens(gpsd_port):
        found.append(Found("gpsd-tcp", {}, "gpsd, for our own position"))
    return found


def _listens(port: int) -> bool:
    try:
        with socket.create_connection((_LOCAL, port), timeout=_CONNECT_S):
            return True
    except OSError:
        return False
