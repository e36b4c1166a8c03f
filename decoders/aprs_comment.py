"""What hides in an APRS comment: altitude, !DAO! and base-91 telemetry. The rest stays verbatim.

aprslib does not see comments of positions: it takes any "xxx}" of a Mic-E comment for an altitude,
ignores "/A=" there, and takes any two bars for telemetry.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

FOOT_M = 0.3048
_HIGHEST_MIC_E_M = 60_000.0  # "{3.7V}" would be 99,708 m
_LOWEST_MIC_E_M = -600.0

_ALTITUDE = re.compile(r"/A=(\d{6}|-\d{5})", re.ASCII)
_DAO = re.compile(r"!(?:W(\d\d|  )|w([!-{]{2}))!", re.ASCII)
# the type byte of Mic-E radios may stand before the altitude
_MIC_E_ALTITUDE = re.compile(r"([`'>\]T]?)([!-{]{3})\}")
_TRAILER = r"(?:![Ww][ -{]{2}!|/A=(?:\d{6}|-\d{5}))"
_TELEMETRY = re.compile(rf"\|((?:[!-{{]{{2}}){{2,7}})\|({_TRAILER}*[ ]*)\Z", re.ASCII)
_TELEMETRY_MIC_E = re.compile(rf"\|((?:[!-{{]{{2}}){{2,7}})\|({_TRAILER}*[ ]*.{{0,2}})\Z", re.ASCII)


@dataclass(frozen=True, slots=True)
class Dao:
    """Extra digits of the position: minutes to add to the size of each coordinate."""

    latitude_min: float
    longitude_min: float
    step_min: float  # size of one step; 0.01 when the sender tells the datum alone


@dataclass(frozen=True, slots=True)
class Comment:
    text: str  # latin-1, see `words`
    altitude_m: float | None = None
    altitude_step_m: float = 0.0
    dao: Dao | None = None
    telemetry: str | None = None  # the characters between the bars


def read(text: str, mic_e: bool = False, dao: bool = True) -> Comment:
    """Takes `text` apart (latin-1 characters).

    Telemetry counts at the end alone, where just !DAO!, altitude and, in Mic-E, the two characters
    of the radio's type may follow. A Mic-E altitude counts at the start alone. "/A=" is taken
    before it: both are the same fix, and a foot is finer than a metre.
    """
    telemetry = None
    # one character is found faster than a pattern begins
    if "|" in text and (match := (_TELEMETRY_MIC_E if mic_e else _TELEMETRY).search(text)):
        telemetry = match[1]
        text = text[: match.start()] + match[2]

    altitude_m, step_m = None, 0.0
    if mic_e and (match := _MIC_E_ALTITUDE.match(text)):
        metres = base91(match[2]) - 10_000.0
        if _LOWEST_MIC_E_M <= metres <= _HIGHEST_MIC_E_M:
            altitude_m, step_m = metres, 1.0
            text = match[1] + text[match.end() :]
    if "/A=" in text and (match := _ALTITUDE.search(text)):
        altitude_m, step_m = int(match[1]) * FOOT_M, FOOT_M
        text = text[: match.start()] + text[match.end() :]

    found = None
    if dao and "!" in text and (matches := list(_DAO.finditer(text))):
        match = matches[-1]
        found = _dao(match[1], match[2])
        text = text[: match.start()] + text[match.end() :]
    return Comment(text, altitude_m, step_m, found, telemetry)


def base91(characters: str) -> int:
    """Number of base-91 digits, most significant first (APRS 1.0.1, chapter 9)."""
    number = 0
    for character in characters:
        number = number * 91 + ord(character) - 33
    return number


def _dao(digits: str | None, characters: str | None) -> Dao:
    if characters is not None:
        high, low = (0.01 * (ord(c) - 33) / 91.0 for c in characters)
        return Dao(high, low, 0.01 / 91.0)
    if digits is None or digits == "  ":
        return Dao(0.0, 0.0, 0.01)
    return Dao(int(digits[0]) * 0.001, int(digits[1]) * 0.001, 0.001)


def words(text: str) -> str:
    """UTF-8 where the bytes are, otherwise latin-1 as they came."""
    if text.isascii():
        return text
    try:
        return text.encode("latin-1").decode("utf-8")
    except UnicodeDecodeError:
        return text
