"""The one door to aprslib: what goes in is chosen, what comes out is a dictionary or a DecodeError.

aprslib sees neither time stamps (it fills dates from today's clock) nor bytes (it guesses their
encoding) nor the packet's own header (it refuses callsigns that AX.25 and APRS-IS allow).
"""

from __future__ import annotations

from typing import Any

import aprslib
from aprslib.exceptions import GenericError

from decoders.reports import DecodeError

KNOT_MS = 1852.0 / 3600.0
KMH_MS = 1.0 / 3.6  # aprslib gives speeds in km/h


def parse(information: str, destination: str = "APRS") -> dict[str, Any]:
    """aprslib's reading of a latin-1 information field. DecodeError with aprslib's own words."""
    try:
        parsed: dict[str, Any] = aprslib.parse(f"N0CALL>{destination}:{information}")
    except GenericError as error:  # ParseError and UnknownFormat have no other common parent
        raise DecodeError(f"aprslib: {error.message}") from error
    except Exception as error:  # IndexError, NameError and ValueError were seen to leak
        raise DecodeError(f"aprslib: {type(error).__name__} {error}") from error
    return parsed
