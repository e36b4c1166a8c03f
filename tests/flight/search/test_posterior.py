"""The posterior against brute force on a grid: the same evidence, every place asked, nothing drawn."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from scipy.stats import multivariate_normal

from decoders.reports import BearingReport, SearchedReport
from server.flight.physics.geodesy import LocalFrame
from server.flight.search.area import density, region
from server.flight.search.evidence import DETECTION, REFLECTED, SIGMA_DEG, Stretch
from server.flight.search.particles import WRONG, WRONG_WIDTH, Kernel, evenly, posterior
from server.flight.search.reach import BOX_ANTENNA_M, FADES, GROUND_RANGE_M, WEAK_RANGE_M
from server.flight.search.search import SearchFound, SearchQuestion, search

Array = npt.NDArray[np.float64]

FRAME = LocalFrame(38.4, -98.0)
SIGMA_M = (2_500.0, 1_500.0)
LANDED_S, NOW_S = 1_000.0, 5_000.0
PATH = np.array([[0.0, -9_000.0, 0.0, 5_500.0], [LANDED_S, 0.0, 0.0, 500.0]])


def asked(
    *,
    bearings: tuple[BearingReport, ...] = (),
    searched: tuple[SearchedReport, ...] = (),
    stretches: tuple[tuple[Stretch, ...], ...] = (),
    members: int = 4_000,
) -> SearchQuestion:
    draw = np.random.default_rng(3)
    x_m, y_m = (draw.normal(0.0, sigma, members) for sigma in SIGMA_M)
    return SearchQuestion(
        at_s=NOW_S,
        frame=FRAME,
        terrain=None,
        ground_m=500.0,
        prior=evenly(x_m, y_m, np.full(members, LANDED_S)),
        path=PATH,
        lost_height_m=5_000.0,
        trackers=tuple(f"N0CALL-{n}" for n in range(len(stretches))),
        interval_s=tuple(60.0 for _ in stretches),
        stretches=stretches,
        rate=0.8,
        cars=((3_000.0, 0.0),),
        bearings=bearings,
        searched=searched,
        seed=7,
    )


def bearing(x_m: float, y_m: float, towards_deg: float, sureness: str = "sharp") -> BearingReport:
    lat, lon = (float(v) for v in FRAME.to_latlon(x_m, y_m))
    return BearingReport(
        "Car 1",
        f"bearing-{x_m:.0f}-{towards_deg:.0f}",
        NOW_S - 100.0,
        latitude_deg=lat,
        longitude_deg=lon,
        bearing_deg=towards_deg % 360.0,
        sureness=sureness,  # type: ignore[arg-type]
    )


GRID = np.linspace(-12_000.0, 12_000.0, 481)
X, Y = np.meshgrid(GRID, GRID)


def prior_on_grid() -> Array:
    def normal(width: float) -> Array:
        covariance = np.diag(np.square(width * np.array(SIGMA_M)))
        return np.asarray(multivariate_normal([0.0, 0.0], covariance).pdf(np.dstack([X, Y])))

    return np.asarray((1.0 - WRONG) * normal(1.0) + WRONG * normal(WRONG_WIDTH))


def by_angle(note: BearingReport) -> Array:
    """Written anew from the definition; the frame turns by far less than a degree here."""
    here = FRAME.to_xy(note.latitude_deg, note.longitude_deg)
    sigma = SIGMA_DEG[note.sureness]
    off = np.degrees(np.arctan2(X - here[0], Y - here[1])) - note.bearing_deg
    off = (off + 180.0) % 360.0 - 180.0
    normal = np.exp(-0.5 * (off / sigma) ** 2) / (sigma * math.sqrt(2 * math.pi))
    return np.asarray((1 - REFLECTED) * normal + REFLECTED / 360.0)


def agrees(found: SearchFound, grid: Array, within: float = 0.06) -> None:
    """Means and spreads, and the shares in the four quarters and the middle."""
    p, cell = found.particles, grid / grid.sum()
    for values, on in ((p.x_m, X), (p.y_m, Y)):
        mean, true = float(p.weight @ values), float((cell * on).sum())
        spread = math.sqrt(float((cell * (on - true) ** 2).sum()))
        assert mean == pytest.approx(true, abs=3 * within * spread)
        assert math.sqrt(float(p.weight @ (values - mean) ** 2)) == pytest.approx(spread, rel=0.15)
    for cx, cy in ((0, 0), (2_500, 0), (-2_500, 0), (0, 1_500), (0, -1_500)):
        share = float(p.weight[np.hypot(p.x_m - cx, p.y_m - cy) < 1_500.0].sum())
        assert share == pytest.approx(
            float(cell[np.hypot(X - cx, Y - cy) < 1_500.0].sum()), abs=within
        )


def test_without_evidence_it_is_the_prior() -> None:
    found = search(asked())
    agrees(found, prior_on_grid())
    assert found.particles.effective == pytest.approx(4_000.0)
    ellipse_m2 = -2 * math.log(0.1) * math.pi * SIGMA_M[0] * SIGMA_M[1]  # of a normal, exactly
    assert found.nine_tenths.area_m2 == pytest.approx(ellipse_m2, rel=0.1)


def test_two_bearings_one_of_them_reflected() -> None:
    notes = (
        bearing(-6_000.0, 0.0, 80.0),
        bearing(0.0, -7_000.0, 10.0),
        bearing(0.0, -7_000.0, 200.0),
    )
    found = search(asked(bearings=notes))
    agrees(found, prior_on_grid() * by_angle(notes[0]) * by_angle(notes[1]) * by_angle(notes[2]))
    good, also_good, reflected = found.reflections
    assert good < 0.1
    assert also_good < 0.1
    assert reflected > 0.9
    assert found.particles.effective > 500.0


def test_a_searched_strip() -> None:
    west, east = (FRAME.to_latlon(x, 0.0) for x in (-6_000.0, 6_000.0))
    ends = ((float(west[0]), float(west[1])), (float(east[0]), float(east[1])))
    strip = SearchedReport(
        "Car 1",
        "strip-1-1-1",
        NOW_S,
        path=ends,
        closed=False,
        width_m=800.0,
        ground="open",
    )
    found = search(asked(searched=(strip,)))
    left = np.where((np.abs(Y) <= 400.0) & (np.abs(X) <= 6_000.0), 1.0 - DETECTION["open"], 1.0)
    agrees(found, prior_on_grid() * left)
    prior = prior_on_grid()
    looked = float((prior * (1.0 - left)).sum() / prior.sum())
    assert found.covered == pytest.approx(looked, abs=0.03)


def test_silence_of_a_car_that_stands_beside_it() -> None:
    """Filtered by hand: hidden places, packets, a tracker that may have died at the loss."""
    from server.flight.search import evidence as e

    packets, rate = 30.0, 0.8
    quiet = Stretch(LANDED_S + 2_000.0, 1_800.0, 3_000.0, 0.0, packets, rate)
    found = search(asked(stretches=((quiet,),)))
    away = np.hypot(X - 3_000.0, Y)
    beyond = np.maximum(away - 4_121.0 * math.sqrt(2.0), 0.0)  # 4.12 km for each root of a metre
    hidden_m = beyond**2 / (2 * 6_371_000.0 * 4 / 3) - BOX_ANTENNA_M
    past = hidden_m / (12.0 + 0.08 * np.abs(hidden_m)) - 2.5
    sight = 1.0 / (1.0 + np.exp(np.clip(past, -40, 40)))
    chance = rate * sight / (1.0 + (away / GROUND_RANGE_M) ** FADES)
    packets /= 1.0 + e.SAME_PLACE * (packets - 1.0)
    dies = 1.0 - math.exp(-e.DIES_PER_S * 1_800.0)
    wakes = 1.0 - math.exp(-e.WAKES_PER_S * 1_800.0)
    total = np.full(X.shape, e.DEAD_AT_LOSS * (1 - wakes))
    for share, one in (
        (1.0 - e.DEAD_AT_LOSS - e.WEAK_AT_LOSS, chance),
        (e.WEAK_AT_LOSS, chance / (1.0 + (away / WEAK_RANGE_M) ** FADES)),
    ):
        unheard = e.HIDDEN_ON_GROUND + (1 - e.HIDDEN_ON_GROUND) * (1 - one) ** packets
        woken = e.DEAD_AT_LOSS * wakes * share / (1.0 - e.DEAD_AT_LOSS)
        total += share * dies + (share * (1 - dies) + woken) * unheard
    agrees(found, prior_on_grid() * total)
    assert found.dead[0] > e.DEAD_AT_LOSS  # silence where it should have been heard
    assert (found.particles.weight > 0.0).all()  # no place is proved empty


def test_a_packet_heard_at_last_says_that_it_lives_and_lies_near() -> None:
    quiet = Stretch(LANDED_S + 500.0, 900.0, 9_000.0, 0.0, 15.0, 0.8)
    heard = Stretch(LANDED_S + 2_000.0, 0.0, 9_000.0, 0.0, 1.0, 0.8, heard=True)
    before, after = search(asked(stretches=((quiet,),))), search(asked(stretches=((quiet, heard),)))
    assert float(after.particles.weight @ after.particles.x_m) > 500.0
    assert float(before.particles.weight @ before.particles.x_m) < 300.0
    assert after.dead[0] == 0.0


def test_evidence_against_the_prior_keeps_enough_particles() -> None:
    notes = tuple(
        bearing(x, -9_000.0, t) for x, t in ((4_000.0, 0.0), (8_500.0, 335.0), (6_000.0, 350.0))
    )
    found = search(asked(bearings=notes, members=2_000))
    assert found.particles.effective > 500.0
    grid = prior_on_grid()
    for note in notes:
        grid = grid * by_angle(note)
    agrees(found, grid, within=0.1)


def test_areas_hold_what_they_say() -> None:
    draw = np.random.default_rng(1)
    two = evenly(
        np.concatenate([draw.normal(-6_000, 400, 1_500), draw.normal(6_000, 400, 500)]),
        draw.normal(0, 400, 2_000),
        np.full(2_000, 0.0),
    )
    on = density(two)
    for share in (0.5, 0.9):
        found = region(two, on, share)
        level = Kernel(two).at(two.x_m, two.y_m) >= found.level
        assert level.mean() == pytest.approx(share, abs=0.03)
    assert len(region(two, on, 0.9).rings) == 2, "two places are two pieces"


def test_the_same_question_gets_the_same_answer() -> None:
    notes = (bearing(-6_000.0, 0.0, 80.0), bearing(0.0, -7_000.0, 10.0))
    one, other = search(asked(bearings=notes)), search(asked(bearings=notes))
    assert np.array_equal(one.particles.x_m, other.particles.x_m)
    assert one.best == other.best
    assert posterior(asked().prior, lambda x, _y, _t: x * 0.0, 1).effective > 3_999.0


def test_many_bearings_from_close_by_are_found_between_the_members() -> None:
    """The ensemble is wider than what is known by then a hundred times: no member lies there."""
    true_x, true_y = 700.0, -450.0
    notes = []
    for n in range(8):
        turn = n * 2.0 * math.pi / 8
        x, y = true_x + 200.0 * math.sin(turn), true_y + 200.0 * math.cos(turn)
        towards = math.degrees(math.atan2(true_x - x, true_y - y)) + (6.0 if n % 2 else -6.0)
        notes.append(bearing(x, y, towards))
    p = search(asked(bearings=tuple(notes), members=300)).particles
    assert p.effective > 60.0
    assert math.hypot(float(p.weight @ p.x_m) - true_x, float(p.weight @ p.y_m) - true_y) < 25.0


def test_a_box_far_outside_the_prediction_is_found_by_what_is_heard() -> None:
    """Five standard deviations off: a share of the prior holds that the prediction is wrong."""
    true_x, true_y = 0.0, 7_500.0
    notes = []
    for x, y in ((-1_500.0, 6_500.0), (1_200.0, 6_800.0), (0.0, 9_000.0), (1_500.0, 8_000.0)):
        notes.append(bearing(x, y, math.degrees(math.atan2(true_x - x, true_y - y))))
    p = search(asked(bearings=tuple(notes), members=1_000)).particles
    assert p.effective > 200.0
    grid = prior_on_grid()
    for note in notes:
        grid = grid * by_angle(note)
    grid = grid / grid.sum()
    assert float(p.weight @ p.x_m) == pytest.approx(float((grid * X).sum()), abs=60.0)
    assert float(p.weight @ p.y_m) == pytest.approx(float((grid * Y).sum()), abs=60.0)
    assert float((grid * Y).sum()) > 6_500.0, "and that is near the truth"
