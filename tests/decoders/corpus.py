"""Good input of every wire: what the fuzz tests and benches start from."""

from __future__ import annotations

import math
from typing import Any

import orjson

from decoders import agw, aprs_encode, aprs_encode_telemetry, fields, nmea, phone
from decoders.ax25 import encode_ui
from decoders.kiss import encode_frame
from decoders.readings import FieldOrder, JsonNames, NmeaRules, Reading
from decoders.reports import PositionReport, Transmission, Wire
from decoders.tnc2 import encode_line
from tests.decoders.packets import HEARD_S

ORDER = FieldOrder(
    (
        "callsign",
        "number",
        "time",
        "latitude_deg",
        "longitude_deg",
        "altitude_m",
        "satellites",
        "outside_degC",
    )
)
NAMES = JsonNames(
    latitude_deg="decoded.lat",
    longitude_deg="decoded.lon",
    altitude_m="decoded.alt",
    time="at",
    callsign="device.id",
    sensors={"temperature": ("decoded.temp", "degC"), "snr": ("rx.0.snr", "dB")},
)
READINGS: dict[Wire, Reading] = {"fields": ORDER, "json": NAMES, "nmea": NmeaRules()}


def flight_reports(count: int) -> list[PositionReport]:
    """An invented ascent, one fix every 15 s."""
    return [
        PositionReport(
            name="phone",
            latitude_deg=46.5 + 0.0004 * i,
            longitude_deg=-100.8 + 0.002 * math.sin(i / 40) + 0.0007 * i,
            time_s=HEARD_S + 15.0 * i,
            altitude_m=500.0 + 75.0 * (i % 400),
            altitude_datum="ellipsoid",
            course_deg=float(i * 7 % 360),
            speed_ms=5.0 + i % 40,
        )
        for i in range(count)
    ]


def transmissions(count: int = 60) -> list[Transmission]:
    """Positions in every format by turns, then one of each other data type."""
    made = []
    for i, fix in enumerate(flight_reports(count)):
        motion: dict[str, Any] = {"course_deg": fix.course_deg, "speed_ms": fix.speed_ms or 0.0}
        place = (fix.latitude_deg, fix.longitude_deg)
        destination, tail = "APRS", aprs_encode_telemetry.comment_telemetry(i, [i, 200, 300])
        if i % 4 == 0:
            information = aprs_encode.uncompressed(
                *place,
                time_s=fix.time_s,
                altitude_m=fix.altitude_m,
                dao="human",
                comment=" 208T8363P",
                **motion,
            )
        elif i % 4 == 1:
            information = aprs_encode.compressed(
                *place, time_s=fix.time_s, altitude_m=fix.altitude_m, comment=tail, **motion
            )
        elif i % 4 == 2:
            destination, information = aprs_encode.mic_e(
                *place, altitude_m=fix.altitude_m, dao="base91", comment="hi" + tail, **motion
            )
        else:
            information = aprs_encode.object_report(
                "PAYLOAD", *place, time_s=fix.time_s or 0.0, altitude_m=fix.altitude_m, **motion
            )
        path = ("WIDE1-1*", "WIDE2-1") if i % 3 else ()
        made.append(Transmission("N0CALL-11", destination, path, information))
    others = (
        b"_10090556c220s004g005t077r000p000P000h50b09900wRSW",
        b"!4903.50N/07201.75W_220/004g005t077r000p000P000h50b09900!W12!",
        b"!4903.5 N/07201.7 W#PHG5132 digipeater",
        b")AID #2!4903.50N/07201.75WA",
        b"T#005,199,000,255,073,123,01101001",
        b":N0CALL-11:PARM.Battery,Btemp,ATemp,Pres,Alt,Camra,Chut,Sun,10m,ATV",
        b":N0CALL-11:UNIT.v/100,deg.F,deg.F,Mbar,Kft,Click,OPEN,on,on,hi",
        b":N0CALL-11:EQNS.0,5.2,0,0,.53,-32,3,4.39,49,-32,3,18,1,2,3",
        b":N0CALL-11:BITS.10110000,Big Balloon",
        b":N0CALL-1 :come in{12",
        b">152345zup and well",
        b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
        b"}N0CALL-5>APRS,TCPIP,N0CALL-10*:!4903.50N/07201.75W-",
        b"{Q1user defined",
        b"<IGATE,MSG_CNT=43",
    )
    return made + [Transmission("N0CALL-7", "APRS", ("WIDE2-2",), info) for info in others]


def sentences(fixes: list[PositionReport]) -> list[bytes]:
    """The fixes in ORDER, one sentence each."""
    return [
        fields.sentence(
            f"N0CALL-11,{i},12:{i // 60 % 60:02d}:{i % 60:02d},{fix.latitude_deg:.5f},"
            f"{fix.longitude_deg:.5f},{fix.altitude_m:.0f},9,-12.5"
        )
        for i, fix in enumerate(fixes)
    ]


def json_objects(fixes: list[PositionReport]) -> list[bytes]:
    """The fixes as NAMES has them, one object each."""
    return [
        orjson.dumps(
            {
                "device": {"id": "balloon a"},
                "at": "2026-06-15T12:00:00Z",
                "decoded": {
                    "lat": fix.latitude_deg,
                    "lon": str(fix.longitude_deg),
                    "alt": fix.altitude_m,
                    "temp": -12.5,
                },
                "rx": [{"snr": 7}],
            }
        )
        for fix in fixes
    ]


def agw_frames(sent: list[Transmission]) -> list[bytes]:
    """The transmissions as raw frames, then some as monitored text."""
    raw = [agw.encode_frame("K", b"\x00" + encode_ui(one), sender=one.sender) for one in sent]
    return raw + [
        agw.encode_frame(
            "U",
            f" 1:Fm {one.sender} To {one.destination} <UI pid=F0 Len={len(one.information)} >"
            "[12:00:00]\r".encode()
            + one.information
            + b"\r\r\0",
        )
        for one in sent[:8]
    ]


def payloads() -> dict[Wire, list[bytes]]:
    """Good payloads of every wire."""
    sent = transmissions()
    fixes = flight_reports(10)
    tpv = [
        orjson.dumps(
            {
                "class": "TPV",
                "mode": 3,
                "time": "2026-06-15T12:00:00.000Z",
                "lat": fix.latitude_deg,
                "lon": fix.longitude_deg,
                "altMSL": fix.altitude_m,
                "track": fix.course_deg,
                "speed": fix.speed_ms,
                "eph": 9.0,
            }
        )
        for fix in fixes
    ]
    return {
        "tnc2": [encode_line(one) for one in sent] + [b"# logresp N0CALL unverified"],
        "kiss": [b"\x00" + encode_ui(one) for one in sent] + [encode_frame(encode_ui(sent[0]))],
        "nmea": [line for fix in fixes for line in (nmea.encode_gga(fix), nmea.encode_rmc(fix))]
        + [
            nmea.sentence("GNGNS,120000.2,3722.425,N,12258.856,W,DA,14,0.9,1005.5,6.5,5.2,23"),
            nmea.sentence("GPGLL,4916.45,N,12311.12,W,225444,A,A"),
            nmea.sentence("GPWPL,4917.16,N,12310.64,W,N0CALL-11"),
            b"$GPGLL,4916.45,N,12311.12,W,225444,A",
        ],
        "gpsd": [
            *tpv,
            b'{"class":"SKY","satellites":[{"PRN":1,"used":true}]}',
            b'{"class":"ERROR","message":"x"}',
            b'{"class":"VERSION","proto_major":3}',
        ],
        "agw": agw_frames(sent),
        "fields": sentences(fixes),
        "json": [*json_objects(fixes), b"[" + b",".join(json_objects(fixes[:3])) + b"]"],
        "phone": [phone.encode_body(fixes), phone.encode_body(fixes[:1])],
        "note": [
            b'{"id":"note-0001","by":"Car 1","time_ms":1780000000000,"kind":"claim"}',
            (
                b'{"id":"note-0002","by":"Car 1","time_ms":1780000000000,"kind":"bearing",'
                b'"latitude_deg":38.4,"longitude_deg":-98.2,"bearing_deg":20,"sureness":"sharp"}'
            ),
        ],
    }
