"""APRS telemetry as bytes: in comments, as "T#" reports, and the messages that scale it.

APRS Protocol Reference 1.0.1, chapter 13, and the base-91 comment telemetry addendum. ValueError
stands for a value that the format cannot carry.
"""

from __future__ import annotations

from collections.abc import Sequence

from decoders.aprs_encode import base91, message
from decoders.aprs_telemetry import BITS, CHANNELS


def comment_telemetry(sequence: int, values: Sequence[int], bits: Sequence[bool] = ()) -> str:
    """`|ss1122...|` for the end of a comment: values 0 to 8280; bits need all five values."""
    if not 1 <= len(values) <= CHANNELS:
        raise ValueError(f"{len(values)} values; comment telemetry carries one to five")
    numbers = [sequence % 91**2, *values]
    if bits:
        if len(values) < CHANNELS or len(bits) > BITS:
            raise ValueError("bits come after five values, at most eight of them")
        numbers.append(sum(1 << i for i, bit in enumerate(bits) if bit))
    return "|" + "".join(base91(number, 2) for number in numbers) + "|"


def telemetry(
    sequence: int, values: Sequence[float | None], bits: Sequence[bool] = (False,) * BITS
) -> bytes:
    """A "T#" report; a value of None is left blank."""
    if not 1 <= len(values) <= CHANNELS or len(bits) != BITS:
        raise ValueError("a telemetry report has one to five values and eight bits")
    fields = ["" if value is None else f"{value:g}" for value in values]
    fields += [""] * (CHANNELS - len(fields))
    digits = "".join("1" if bit else "0" for bit in bits)
    return f"T#{sequence % 1000:03d},{','.join(fields)},{digits}".encode("ascii")


def parameters(name: str, texts: Sequence[str]) -> bytes:
    """PARM: names of the five channels and eight bits of tracker `name`."""
    return message(name, "PARM." + _joined(texts))


def units(name: str, texts: Sequence[str]) -> bytes:
    """UNIT: their units."""
    return message(name, "UNIT." + _joined(texts))


def equations(name: str, coefficients: Sequence[tuple[float, float, float]]) -> bytes:
    """EQNS: a, b and c of a*x^2 + b*x + c for up to five channels."""
    if not 1 <= len(coefficients) <= CHANNELS:
        raise ValueError(f"{len(coefficients)} equations; one to five are sent")
    return message(name, "EQNS." + ",".join(_plain(value) for row in coefficients for value in row))


def bit_sense(name: str, sense: Sequence[bool], title: str = "") -> bytes:
    """BITS: the state of each bit that means "on", and the project's title."""
    if len(sense) != BITS or len(title) > 23:
        raise ValueError("BITS has eight bits and a title of at most 23 characters")
    return message(name, "BITS." + "".join("1" if bit else "0" for bit in sense) + "," + title)


def _joined(texts: Sequence[str]) -> str:
    if len(texts) > CHANNELS + BITS or any("," in text or len(text) > 20 for text in texts):
        raise ValueError("up to 13 texts of at most 20 characters without commas")
    return ",".join(texts)


def _plain(value: float) -> str:
    """Decimal digits without an exponent, which receivers do not read."""
    return f"{value:.9f}".rstrip("0").rstrip(".") or "0"
