"""The one entrance to the decoders: what one reception says."""

from __future__ import annotations

from dataclasses import replace

from decoders.bounds import bounded
from decoders.readings import Reading
from decoders.reports import DecodeError, Decoding, Report, Wire
from decoders.wires import WIRES

_MOST_PROBLEMS = 5  # words about one reception


def decode(
    wire: Wire, payload: bytes, heard_at_s: float, source: str, reading: Reading | None = None
) -> Decoding:
    """Everything that a reception says; never raises, `problem` tells what could not be read.

    kiss: type byte and AX.25 frame, unescaped; a piece of KISS stream (it starts with FEND), a bare
    frame and a TNC2 line in place of the frame are read too. agw: header and data. tnc2, nmea,
    gpsd, fields: one line. json, phone: a JSON body. `reading` is what the plan says of the source:
    fields and json cannot be read without it. Reports that carry no name are called `source`.
    Numbers that cannot be are left out, and named in `problem`.
    """
    try:
        row = WIRES.get(wire)
        if row is None:
            return Decoding(problem=f"wire {wire!r} is not known")
        return _bounded(row.read(payload, heard_at_s, source, reading))
    except DecodeError as error:
        return Decoding(problem=str(error))
    except Exception as fault:  # one packet must not end the flight; the fuzz tests look for this
        return Decoding(problem=f"fault in the decoder: {type(fault).__name__}: {fault}")


def _bounded(decoding: Decoding) -> Decoding:
    reports: list[Report] = []
    problems = [] if decoding.problem is None else [decoding.problem]
    for report in decoding.reports:
        try:
            kept, left_out = bounded(report)
        except DecodeError as error:
            problems.append(str(error))
            continue
        reports.append(kept)
        if left_out:
            problems.append(f"beyond what can be: {', '.join(left_out)}")
    if not problems:
        return decoding
    return replace(decoding, reports=tuple(reports), problem="; ".join(problems[:_MOST_PROBLEMS]))
