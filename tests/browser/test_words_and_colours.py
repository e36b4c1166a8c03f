"""The track's colours, and the words that every page uses, checked from outside."""

import re
from typing import Any

import pytest
from playwright.async_api import expect

from server.flight.mission import Mission
from server.screen.app import create_app
from tests.flight.test_frozen import PLAN as FROZEN_PLAN
from tests.flight.test_frozen import in_part
from tests.flight.test_two_transmitters import PLAN, from_a_car, true
from tests.screen.demo_feed import DemoFeed
from tests.screen.serving import serving
from tests.seen import shown

UNSEEN = 16 / 255  # a difference that no eye on a thin line sees


async def test_cividis_is_the_published_scale(open_page: Any) -> None:
    """Against matplotlib's table of Nuñez, Anderton and Renslow 2018."""
    colormaps = pytest.importorskip("matplotlib").colormaps
    parts = [n / 20 for n in range(21)]
    async with serving(create_app(DemoFeed())) as port:
        page = (await open_page(port)).page
        ours = await page.evaluate(
            "async parts => { const { cividis } = await import('/web/map/cividis.js');"
            " return parts.map(cividis); }",
            parts,
        )
    for part, colour in zip(parts, ours, strict=True):
        theirs = colormaps["cividis"](part)[:3]
        assert [channel / 255 for channel in colour] == pytest.approx(theirs, abs=UNSEEN), part


async def test_times_places_and_units_in_words(open_page: Any) -> None:
    async with serving(create_app(DemoFeed())) as port:
        page = (await open_page(port)).page
        said = await page.evaluate(
            """async () => {
              const words = await import('/web/words.js');
              const { createUnits } = await import('/web/units.js');
              const metric = createUnits({ get: () => 'metric' });
              const us = createUnits({ get: () => 'us' });
              const nautical = createUnits({ get: () => 'nautical' });
              return {
                durations: [0, 89, 90, 5399, 5400, 9000].map(words.duration),
                never: words.ago(null, 5),
                points: [0, 11, 12, 359, -90].map(words.compass),
                bearings: [0, 7.4, 359.7].map(words.bearing),
                south: words.degreesMinutes(-41.32, 174.81),
                carry: words.degreesMinutes(0.9999999, -0.5),
                wide: [words.decimalDegrees, words.degreesMinutes].map((say) => say(-41.32, 174.81, 133_000)),
                near: [words.decimalDegrees, words.degreesMinutes].map((say) => say(-41.32, 174.81, 2_300)),
                decimal: words.decimalDegrees(-41.32, 174.81),
                local: words.clockTime(1777738395),
                utc: words.utcTime(1777738395),
                zone: words.zone(1777738395),
                metric: [metric.altitude(29604), metric.climb(-5.25), metric.distance(4120),
                         metric.distance(840), metric.speed(24.6), metric.sensor(-51.25, 'degC')],
                us: [us.altitude(3048), us.climb(5.08), us.distance(16093.44),
                     us.distance(152.4), us.speed(44.704), us.sensor(-40, 'degC')],
                nautical: [nautical.altitude(3048), nautical.distance(18520), nautical.distance(152.4),
                           nautical.speed(51.444444)],
                other: [metric.sensor(101325, 'Pa'), metric.sensor(3, 'counts'),
                        metric.sensor(null, 'V')],
              };
            }"""
        )
    plain = {
        key: [text.replace("\u00a0", " ") for text in value]
        if isinstance(value, list)
        else value.replace("\u00a0", " ")
        for key, value in said.items()
    }
    assert plain == {
        "durations": ["0 s", "89 s", "2 min", "1 h 30 min", "1 h 30 min", "2 h 30 min"],
        "never": "never",
        "points": ["N", "N", "NNE", "N", "W"],
        "bearings": ["000°", "007°", "000°"],
        "south": "41° 19.200′ S  174° 48.600′ E",
        "carry": "1° 00.000′ N  0° 30.000′ W",
        # within 133 km to 0.01° (1.1 km) and a minute (1.9 km), within 2.3 km to a tenth of that
        "wide": ["-41.32, 174.81", "41° 19′ S  174° 49′ E"],
        "near": ["-41.320, 174.810", "41° 19.2′ S  174° 48.6′ E"],
        "decimal": "-41.32000, 174.81000",
        "local": "11:13",  # America/Chicago, daylight time
        "utc": "16:13 UTC",
        "zone": "CDT",
        # exact by definition: 1 ft = 0.3048 m, 1 mi = 1609.344 m (NIST SP 811)
        "metric": ["29,600 m", "−5.3 m/s", "4.1 km", "840 m", "89 km/h", "−51.3 °C"],
        "us": ["10,000 ft", "1,000 ft/min", "10.0 mi", "500 ft", "100 mph", "−40.0 °F"],
        # exact by definition: 1 NM = 1852 m, 1 kt = 1 NM/h (the International System of Units, 9th edition)
        "nautical": ["10,000 ft", "10.0 NM", "500 ft", "100 kt"],
        "other": ["1,013.3 hPa", "3 counts", "no value"],
    }


async def test_the_sources_of_wind_in_words(open_page: Any) -> None:
    async with serving(create_app(DemoFeed())) as port:
        page = (await open_page(port)).page
        said = await page.evaluate(
            """async () => {
              const { windWords } = await import('/web/words/landing.js');
              const { createUnits } = await import('/web/units.js');
              const units = createUnits({ get: () => 'metric' });
              const now_s = Date.parse('2026-06-06T14:00:00Z') / 1000;
              const own = { name: '', time: '2026-06-06T13:59:30Z', top_altitude_m: 8250, distance_m: 0 };
              const lark = {
                name: 'Lark 1', time: '2026-06-06T13:35:00Z', top_altitude_m: 29000, distance_m: 12000,
              };
              const say = (winds, background, basis = 'prediction') =>
                windWords({ winds, background, basis }, units, now_s);
              return [
                say([own, lark], { kind: 'forecast', run: '2026-06-06T06:00:00Z' }),
                say([], { kind: 'forecast', run: null }),
                say([own], { kind: 'season', run: null }),
                say([own], null),
                say([], null),
                say([own], null, 'landed fix'),
              ];
            }"""
        )
    assert [text and text.replace("\u00a0", " ") for text in said] == [
        "own, to 8,250 m; Lark 1, 25 min ago, 12.0 km off; forecast, run 8 h 00 min ago",
        "a forecast that tells no time",
        "own, to 8,250 m; else the season’s usual",
        "own, to 8,250 m",
        None,
        None,
    ]


async def test_two_transmitters_in_words(open_page: Any) -> None:
    """The alarm of the state itself, as the rule makes it."""
    mission = Mission(PLAN)
    mission.receive([*true(), *from_a_car()])
    (alarm,) = [a for a in shown(mission)["alarms"] if a["kind"] == "two_transmit"]
    async with serving(create_app(DemoFeed())) as port:
        page = (await open_page(port)).page
        title, told = await page.evaluate(
            """async (alarm) => {
              const { alarmTitle, alarmWords } = await import('/web/words/alarm.js');
              const { createUnits } = await import('/web/units.js');
              const units = createUnits({ get: () => 'metric' });
              return [alarmTitle(alarm, { flights: [{}] }, units), alarmWords(alarm, units)]
                .map((text) => text.replaceAll('\u00a0', ' '));
            }""",
            alarm,
        )
    assert re.fullmatch(r"Two transmit as Main: \d\d\.\d km apart", title)
    assert re.search(
        r"by turns from two places, \d\d\.\d km apart: 38\.\d{5}, -9\d\.\d{5} at [\d,]+ m, and",
        told,
    )
    assert "find out which of them flies" in told


async def test_what_repeats_in_the_air_in_words(open_page: Any) -> None:
    """The alarms of the state itself."""
    found = []
    for part in ("place", "altitude", "nothing"):
        mission = Mission(FROZEN_PLAN)
        mission.receive(in_part(part, 3_600.0))
        found += [a for a in shown(mission)["alarms"] if a["kind"] == "frozen"]
    async with serving(create_app(DemoFeed())) as port:
        page = (await open_page(port)).page
        said = await page.evaluate(
            """async (alarms) => {
              const { alarmTitle, alarmWords } = await import('/web/words/alarm.js');
              const { createUnits } = await import('/web/units.js');
              const units = createUnits({ get: () => 'metric' });
              return alarms.map((one) => [alarmTitle(one, { flights: [{}] }, units), alarmWords(one, units)]);
            }""",
            found,
        )
    assert [title for title, _ in said] == [
        "All trackers repeat one place",
        "All trackers repeat one altitude",
        "No tracker tells a position",
    ]
    for (_, told), way in zip(said, ("place on the map", "how high", "where it is"), strict=True):
        assert way in told
        assert "last good fix" in told


@pytest.mark.parametrize(
    ("zone", "local", "utc"),
    [
        ("America/Chicago", "09:13:25 CDT", "14:13:25\u00a0UTC"),
        ("UTC", "14:13:25 UTC", ""),
    ],
)
async def test_a_station_that_keeps_utc_is_shown_one_clock(
    open_page: Any, zone: str, local: str, utc: str
) -> None:
    feed = DemoFeed(since_launch_s=4_400)
    async with serving(create_app(feed)) as port:
        page = (await open_page(port, zone=zone)).page
        await expect(page.locator(".bar-time")).to_have_text(local)
        await expect(page.locator(".bar-utc")).to_have_text(utc)
