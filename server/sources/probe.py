"""Tries one source, for `leeward check`, and says in words what happened."""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass

from decoders import agw
from decoders.decode import decode
from decoders.reports import Decoding, PositionReport
from server.flight.inputs import Reception
from server.sources.connection import open_connection
from server.sources.framing import SPEAKS_AGW
from server.sources.pacing import Backoff
from server.sources.source import Clock, Source
from server.sources.spec import SourceFault, SourceSpec, SourceState

MAX_HEARD = 1000
AGW_ANSWERS_WITHIN_S = 2.0


@dataclass(frozen=True, slots=True)
class ProbeResult:
    """`ok`: the source opened (or has nothing to open). `words` say what was heard or what to
    do."""

    name: str
    ok: bool
    words: str
    receptions: int = 0


async def probe(spec: SourceSpec, seconds: float, *, clock: Clock = time.time) -> ProbeResult:
    """Opens `spec` and listens until something can be read, it fails, or `seconds` have passed."""
    if not spec.enabled:
        return ProbeResult(spec.name, True, "switched off in the plan")
    if spec.transport == "http":
        who = "the phone calls" if spec.kind == "phone" else "whoever reports posts to"
        return ProbeResult(spec.name, True, f"nothing to try: {who} this program")
    heard: list[Decoding] = []
    done = asyncio.Event()

    def deliver(reception: Reception) -> None:
        decoding = decode(
            reception.wire,
            reception.payload,
            reception.heard_at_s,
            reception.source,
            spec.reading,
        )
        if len(heard) < MAX_HEARD:
            heard.append(decoding)
        if decoding.problem is None or decoding.reports:
            heard[-1] = decoding
            done.set()

    def on_state(state: SourceState) -> None:
        if state.state == "failed":
            done.set()

    # one try: the next one would come long after the listening has ended
    source = Source(
        spec,
        deliver,
        clock=clock,
        on_state=on_state,
        backoff=Backoff(first_s=seconds + 60.0, cap_s=seconds + 60.0),
    )
    task = asyncio.create_task(source.run())
    finished = asyncio.create_task(done.wait())
    try:
        await asyncio.wait((task, finished), timeout=seconds, return_when="FIRST_COMPLETED")
    finally:
        for one in (task, finished):
            one.cancel()
        await asyncio.gather(task, finished, return_exceptions=True)
    if not heard and spec.kind == "kiss-tcp" and source.state.state == "open":
        try:
            async with asyncio.timeout(AGW_ANSWERS_WITHIN_S):
                if await _speaks_agw(spec):
                    return ProbeResult(spec.name, False, f"{spec.place}: {SPEAKS_AGW}")
        except (TimeoutError, SourceFault):
            pass
    return _result(spec, source.state, heard, seconds)


async def _speaks_agw(spec: SourceSpec) -> bool:
    """An AGW server never talks first: ask for its version, on a connection of its own.

    To a KISS port the question is noise between frames.
    """
    connection = await open_connection(spec)
    try:
        await connection.write(agw.encode_frame("R"))
        answer = bytearray()
        while len(answer) < agw.HEADER_BYTES:
            if not (data := await connection.read()):
                return False
            answer += data
        return agw.looks_like(bytes(answer))
    finally:
        connection.close()


def _result(
    spec: SourceSpec, state: SourceState, heard: list[Decoding], seconds: float
) -> ProbeResult:
    count = len(heard)
    if heard:
        unread = heard[-1].problem is not None and not heard[-1].reports
        hint = "; check the baud rate" if unread and spec.transport == "serial" else ""
        text = f"{spec.place}: {what_was_heard(heard[-1])}{hint}"
        return ProbeResult(spec.name, True, text, count)
    if state.state == "failed":
        reason = (state.reason or "").partition("; next try")[0]
        return ProbeResult(spec.name, False, reason)
    if state.state == "connecting":
        return ProbeResult(spec.name, False, f"{spec.place} did not open within {seconds:g} s")
    remark = f" ({state.reason})" if state.bytes and state.reason else ""
    text = f"{spec.place} is open, but nothing was heard in {seconds:g} s{remark}"
    return ProbeResult(spec.name, True, text)


def what_was_heard(decoding: Decoding) -> str:
    """One reception in a few words: who and what, or why it cannot be read."""
    if decoding.problem is not None and not decoding.reports:
        return f"heard something that cannot be read: {decoding.problem}"
    sender = decoding.transmission.sender if decoding.transmission else "a receiver"
    but = f" ({decoding.problem})" if decoding.problem is not None else ""
    for report in decoding.reports:
        if isinstance(report, PositionReport):
            who = report.name if decoding.transmission is None else sender
            fix = "" if report.valid else " without a fix"
            place = f"{report.latitude_deg:.4f}, {report.longitude_deg:.4f}"
            return f"heard {who}{fix} at {place}{but}"
    return f"heard {sender}{but}"
