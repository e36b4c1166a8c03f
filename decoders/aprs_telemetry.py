"""APRS telemetry: "T#" reports, base-91 telemetry in comments, and the scales that give them units.

APRS Protocol Reference 1.0.1, chapter 13; the base-91 form is a later addendum: "|ss1122334455bb|",
two characters each for the sequence, one to five channels and, after five, eight bits.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from decoders import aprs_library
from decoders.reports import DecodeError, SensorReport, SensorScale

CHANNELS = 5
BITS = 8
_NUMBER = re.compile(r"[-+]?(?:\d{1,12}(?:\.\d{0,12})?|\.\d{1,12})", re.ASCII)
_SCALE = re.compile(r"(PARM|UNIT|EQNS|BITS)\.")


def decode_report(name: str, text: str) -> SensorReport:
    """`T#sss,111,222,333,444,555,xxxxxxxx`; channels may be blank, fractional or too few."""
    # the comma after MIC is optional; blanks alone are stripped, for \x1f counts as white space too
    body = re.sub(r"\AMIC,?", ",", text[2:])
    head, *fields = (field.strip(" ") for field in body.split(","))
    sequence = int(head) if re.fullmatch(r"[0-9]{1,6}", head) else None
    if sequence is None and head:
        raise DecodeError(f"telemetry sequence {head[:10]!r} is not a number")
    channels: list[float | None] = [None] * CHANNELS
    for i, value in enumerate(fields[:CHANNELS]):
        if _NUMBER.fullmatch(value):
            channels[i] = float(value)
        elif value:
            raise DecodeError(f"telemetry channel {i + 1} is {value[:10]!r}, expected a number")
    if all(value is None for value in channels):
        raise DecodeError("telemetry without a value")
    bits: tuple[bool, ...] = ()
    if len(fields) > CHANNELS and (match := re.match(r"[01]{8}", fields[CHANNELS])):
        bits = tuple(bit == "1" for bit in match[0])
    return SensorReport(name=name, channels=tuple(channels), bits=bits, sequence=sequence)


def decode_comment(name: str, characters: str, time_s: float | None) -> SensorReport:
    """The characters between the bars: 4 to 14 of base 91, an even number, already checked."""
    numbers = [
        (ord(high) - 33) * 91 + ord(low) - 33
        for high, low in zip(characters[::2], characters[1::2], strict=True)
    ]
    channels: list[float | None] = [float(value) for value in numbers[1 : 1 + CHANNELS]]
    channels += [None] * (CHANNELS - len(channels))  # aprslib makes missing channels 0
    bits: tuple[bool, ...] = ()
    if len(numbers) > 1 + CHANNELS:
        bits = tuple(bool(numbers[1 + CHANNELS] >> i & 1) for i in range(BITS))
    return SensorReport(
        name=name, channels=tuple(channels), bits=bits, sequence=numbers[0], time_s=time_s
    )


def is_scale(message: str) -> bool:
    """Whether a message text is one of PARM, UNIT, EQNS and BITS."""
    return _SCALE.match(message) is not None


def decode_scale(name: str, message: str) -> SensorScale:
    """A PARM, UNIT, EQNS or BITS message about the tracker `name`.

    DecodeError: not understood, or a coefficient that no float holds.
    """
    if re.fullmatch(r"BITS\.[01]{8}", message):
        message += ","  # the title may be left out; aprslib insists on its comma
    parsed = aprs_library.parse(f":{'N0CALL':<9}:{message}")
    if "tPARM" in parsed or "tUNIT" in parsed:
        kind = "PARM" if "tPARM" in parsed else "UNIT"
        texts = tuple(text.strip() for text in parsed[f"t{kind}"])
        return SensorScale(name, "PARM" if kind == "PARM" else "UNIT", texts=texts)
    if "tEQNS" in parsed:
        try:
            rows = tuple((float(a), float(b), float(c)) for a, b, c in parsed["tEQNS"])
        except OverflowError as error:
            raise DecodeError("EQNS coefficient with too many digits") from error
        return SensorScale(name, "EQNS", coefficients=rows)
    if "tBITS" in parsed:
        sense = tuple(bit == "1" for bit in parsed["tBITS"])
        return SensorScale(name, "BITS", texts=(parsed["title"],), sense=sense)
    raise DecodeError(f"telemetry message {message[:20]!r} was not understood")


def scale(
    channels: Sequence[float | None],
    scales: Iterable[SensorScale],
    bits: Sequence[bool] = (),
) -> tuple[dict[str, float], dict[str, str]]:
    """Values and units by name, from raw channels and what has been heard of their scales.

    The last scale of each kind counts. A channel without a name is "channel 1" to "channel 5"
    (bits: "bit 1" to "bit 8"); without a unit it is left out of the units. A bit is 1.0 when it is
    on.
    """
    latest = {one.kind: one for one in scales}
    names = latest["PARM"].texts if "PARM" in latest else ()
    units = latest["UNIT"].texts if "UNIT" in latest else ()
    rows = latest["EQNS"].coefficients if "EQNS" in latest else ()
    sense = latest["BITS"].sense if "BITS" in latest else ()
    values: dict[str, float] = {}
    value_units: dict[str, str] = {}

    def put(place: int, fallback: str, value: float) -> None:
        name = _at(names, place) or fallback
        if name in values:
            name = fallback
        values[name] = value
        if _at(units, place):
            value_units[name] = units[place]

    for i, raw in enumerate(channels[:CHANNELS]):
        if raw is not None:
            a, b, c = rows[i] if i < len(rows) else (0.0, 1.0, 0.0)
            put(i, f"channel {i + 1}", a * raw * raw + b * raw + c)
    for i, bit in enumerate(bits[:BITS]):
        on = bit == (sense[i] if i < len(sense) else True)
        put(CHANNELS + i, f"bit {i + 1}", 1.0 if on else 0.0)
    return values, value_units


def _at(texts: Sequence[str], place: int) -> str:
    return texts[place] if place < len(texts) else ""
