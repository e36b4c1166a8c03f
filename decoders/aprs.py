"""The APRS information field, by its data type (APRS Protocol Reference 1.0.1, chapter 5).

aprslib does the parsing; this module and its neighbours choose what it sees and guard what it says.
"""

from __future__ import annotations

import re

from decoders import aprs_library, aprs_position, aprs_telemetry, aprs_time, nmea
from decoders.aprs_comment import words
from decoders.aprs_position import Subject
from decoders.reports import DecodeError, Report, StatusReport, Transmission
from decoders.tnc2 import unwrap

_STAMP = re.compile(r"[0-9. ]{6}[zh/]")  # blanks and dots: a sender without a clock
_TIMELESS = "111111"  # what permanent objects carry instead of a time
_MIC_E_TYPES = "`'\x1c\x1d"  # the last two are of the first radios
_PLAIN_TEXT_DESTINATIONS = ("BEACON", "CQ", "ID", "QST", "MAIL")
_OBJECT = re.compile(r";([ -~]{9})([*_])", re.DOTALL)
_ITEM = re.compile(r"\)([ -~]{3,9}?)([!_])")
_MESSAGE = re.compile(r":([A-Za-z0-9_ \-]{9}):(.*)", re.DOTALL)
_SENTENCE = re.compile(r"\$[ -#%-)+-~]{5,100}\*[0-9A-Fa-f]{2}")
_WEATHER = re.compile(r"_(\d{8})(c.*)", re.DOTALL | re.ASCII)
_LATE_POSITION_WITHIN = 40  # characters that a TNC may put before "!"


def decode_information(transmission: Transmission, heard_at_s: float) -> tuple[Report, ...]:
    """All that one packet says; third-party packets are unwrapped first.

    Times come from the packet, resolved against `heard_at_s`; local time ("/") stays unresolved,
    for its zone is not told. DecodeError: anything that cannot be read, with the reason.
    """
    transmission = unwrap(transmission)
    text = transmission.information.decode("latin-1").rstrip("\r\n\0")
    if not text:
        raise DecodeError("empty information field")
    kind, sender = text[0], transmission.sender
    if kind in "!=":
        return aprs_position.decode_plain(Subject(sender), text[1:])
    if kind in "/@":
        time_s, body = _split_stamp(text[1:], heard_at_s)
        return aprs_position.decode_plain(Subject(sender, time_s), body)
    if kind in _MIC_E_TYPES:
        return aprs_position.decode_mic_e(Subject(sender), transmission.destination, text)
    if kind in ";)":
        return _object(sender, text, heard_at_s)
    if kind == ">":
        return (_status(sender, text, heard_at_s),)
    if kind == ":":
        return (_message(sender, text),)
    if text.startswith("T#"):
        return (aprs_telemetry.decode_report(sender, text),)
    if kind == "_":
        return _weather(sender, text, heard_at_s)
    if kind == "$" and (sentence := _SENTENCE.match(text)):
        report = nmea.decode_sentence(sentence[0].encode("latin-1"), heard_at_s, sender)
        if report is None:
            raise DecodeError(f"NMEA sentence {sentence[0][:6]} tells no position")
        return (report,)
    if kind in "<?":  # capabilities and queries: words, not positions
        return (StatusReport(sender, words(text)),)
    return _other(transmission, text)


def _object(sender: str, text: str, heard_at_s: float) -> tuple[Report, ...]:
    pattern, what = (_OBJECT, "an object") if text[0] == ";" else (_ITEM, "an item")
    match = pattern.match(text)
    if match is None:
        raise DecodeError(f"{text[:12]!r} is not {what}: name and state expected")
    name = match[1].strip()
    if not name:
        raise DecodeError(f"{what} without a name")
    if match[2] == "_":
        return (StatusReport(sender, f"{what} {name!r} was withdrawn"),)
    time_s, body = None, text[match.end() :]
    if text[0] == ";":
        time_s, body = _split_stamp(body, heard_at_s)
    return aprs_position.decode_plain(Subject(name, time_s, sender), body)


def _split_stamp(text: str, heard_at_s: float) -> tuple[float | None, str]:
    """The time before a position, and the position with what follows.

    Some senders leave the stamp out. Cut off all the same, its seven characters are the first of
    the position, and the rest reads as compressed coordinates of somewhere else. DecodeError:
    neither a stamp nor a position.
    """
    if _STAMP.match(text):
        timeless = text.startswith(_TIMELESS)
        return None if timeless else aprs_time.resolve(text[:7], heard_at_s), text[7:]
    for body in (text, text[7:]):  # no stamp, or seven characters that are none
        if aprs_position.is_uncompressed(body):
            return None, body
    if aprs_position.is_compressed(text):
        return None, text
    raise DecodeError(f"{text[:26]!r} is neither a time nor a position")


def _status(sender: str, text: str, heard_at_s: float) -> StatusReport:
    time_s, status = None, text[1:]
    if re.match(r"\d{6}z", status, re.ASCII):
        time_s, status = aprs_time.resolve(status[:7], heard_at_s), status[7:]
    parsed = aprs_library.parse(">" + status)
    return StatusReport(sender, words(str(parsed["status"])), time_s)


def _message(sender: str, text: str) -> Report:
    match = _MESSAGE.match(text)
    if match is None:
        raise DecodeError(f"{text[:12]!r} is not a message: addressee of nine characters expected")
    addressee, said = match[1].rstrip(), match[2]
    if aprs_telemetry.is_scale(said):
        # a tracker defines its own telemetry, with itself as the addressee (APRS 1.0.1, ch. 13)
        if addressee.upper() != sender.upper():
            return StatusReport(sender, f"to {addressee}: {words(said)}")
        return aprs_telemetry.decode_scale(addressee.upper(), said)
    parsed = aprs_library.parse(text)
    if "response" in parsed:
        said = f"{parsed['response']} {parsed['msgNo']}"
    elif "message_text" in parsed:
        said = str(parsed["message_text"])
    else:
        raise DecodeError(f"message {text[:20]!r} was not understood")
    return StatusReport(sender, f"to {addressee}: {words(said)}")


def _weather(sender: str, text: str, heard_at_s: float) -> tuple[Report, ...]:
    match = _WEATHER.match(text)
    if match is None:
        raise DecodeError("position-less weather starts with its time and wind: _MMDDHHMMc...s...")
    time_s = aprs_time.resolve_month_day(match[1], heard_at_s)
    values, _ = aprs_position.read_weather(match[2])
    report = aprs_position.weather_report(sender, values, time_s)
    if report is None:
        raise DecodeError("weather report without a value")
    return (report,)


def _other(transmission: Transmission, text: str) -> tuple[Report, ...]:
    late = text.find("!", 0, _LATE_POSITION_WITHIN)
    # uncompressed alone: eight letters after any "!" would do for a compressed one
    if late > 0 and text[0] not in "{,#*[$" and aprs_position.is_uncompressed(text[late + 1 :]):
        return aprs_position.decode_plain(Subject(transmission.sender), text[late + 1 :])
    if transmission.destination.partition("-")[0] in _PLAIN_TEXT_DESTINATIONS:
        return (StatusReport(transmission.sender, words(text)),)
    raise DecodeError(f"data type {text[0]!r} is none that is read here")
