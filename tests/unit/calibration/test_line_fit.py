"""The joint fit to painted edges: exact on exact ones, honest on drawn ones, and naming stray lines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from calibration.court.clicks import Click
from calibration.court.line_fit import LineFit, fit_lines
from calibration.court.line_report import against_the_rest, distances, line_checks, off_sigmas
from calibration.court.line_samples import EdgeSamples, LineOptions
from calibration.court.model import COURT_POINTS_M
from calibration.court.placement import in_court
from calibration.court.ruled_lines import RULED_LINES, crossings_m, lines_through
from calibration.court.uncertainty import baseline_u_m
from calibration.errors import BadInput, NotMeasurable
from tests.support.line_worlds import (
    TRUE,
    Laid,
    drawn_rig,
    edges_of,
    exact_court,
    laid_by_chance,
    nearby,
    rig_of,
    true_place,
)
from tests.support.rig_worlds import parameter_error, rig_cameras, squared_in_sigmas

RIG = rig_of(rig_cameras(TRUE))
OPTIONS = LineOptions()
NAMES = [r.name for r in RULED_LINES]


def fitted(samples: EdgeSamples, rng: np.random.Generator, **more: frozenset[str]) -> LineFit:
    return fit_lines(RIG, samples, nearby(true_place(), rng), OPTIONS, **more)


def test_exact_edges_give_the_exact_place(rng: np.random.Generator) -> None:
    fit = fitted(edges_of(TRUE, exact_court(), 0.0, rng), rng)
    place = true_place()
    assert np.abs(fit.rig_from_court.t_m - place.t_m).max() < 2e-5
    assert np.abs(fit.rig_from_court.R - place.R).max() < 1e-5
    assert np.abs(fit.ends_m).max() < 2e-5 and fit.used.all()
    assert fit.scale[0] == pytest.approx(1.0, abs=1e-5)


@pytest.mark.parametrize("bloom", [0.0, 0.25])
def test_widths_and_bloom_are_told_apart(rng: np.random.Generator, bloom: float) -> None:
    """A picture that widens paint by the same pixels everywhere is no wider paint: near and far differ."""
    court = Laid(np.zeros((len(NAMES), 2)), np.array([0.5 * (r.widths_m[0] + r.width_m) for r in RULED_LINES]))
    fit = fitted(edges_of(TRUE, court, 0.05, rng, bloom), rng)
    seen = [NAMES.index(n) for n in ("baseline", "left_singles", "right_singles")]
    assert np.abs(fit.bloom_px - bloom).max() < 0.1
    assert (np.abs(fit.widths_m - court.widths_m)[seen] < 5 * fit.widths_u_m[seen]).all()
    assert np.abs(fit.widths_m - court.widths_m)[seen].max() < 1e-3


def test_covariance_is_honest() -> None:
    """30 rigs, courts, widths, blooms and edges drawn as the fit assumes: squared errors as chi-square."""
    rng = np.random.default_rng(17)
    total, freedom, at_baseline = 0.0, 0, []
    true = TRUE[:2]
    for _ in range(30):
        samples = edges_of(
            true, laid_by_chance(rng, OPTIONS), 0.15, rng, rng.normal(0, OPTIONS.bloom_u_px, 2), 12
        )
        fit = fit_lines(drawn_rig(true, rng), samples, nearby(true_place(true), rng), OPTIONS)
        cameras, covariance = in_court(fit.cameras, fit.rig_from_court, fit.covariance)
        error = np.concatenate([parameter_error(a, b) for a, b in zip(cameras, true, strict=True)])
        squared, n = squared_in_sigmas(error, covariance)
        total, freedom = total + squared, freedom + n
        at_baseline.append(baseline_u_m(cameras, covariance))
    assert freedom == 30 * 30
    assert chi2.ppf(0.001, freedom) < total < chi2.ppf(0.999, freedom), total / freedom
    assert all(u is not None and 5e-4 < u < 5e-3 for u in at_baseline)


def test_edges_that_err_alike_count_for_less(rng: np.random.Generator) -> None:
    """The same scatter, once white, once shared by neighbours along the line: the second tells less."""
    white = edges_of(TRUE, exact_court(), 0.2, rng, every=2)
    exact = edges_of(TRUE, exact_court(), 0.0, rng, every=2)
    block = np.repeat(rng.normal(0, 0.2, len(exact) // 8 + 1), 8)[: len(exact)]
    shared = replace(exact, uv_px=exact.uv_px + block[:, None] * exact.normal, u_px=white.u_px)
    u_white = fitted(white, rng).samples.u_px
    u_shared = fitted(shared, rng).samples.u_px
    assert 0.17 < np.median(u_white) < 0.25
    assert np.median(u_shared) > 1.8 * np.median(u_white)


def test_a_stray_line_is_known_by_its_offset_and_can_lose_its_say(rng: np.random.Generator) -> None:
    ends = np.zeros((len(NAMES), 2))
    stray = NAMES.index("right_singles")
    ends[stray] = 0.03
    samples = edges_of(TRUE, Laid(ends, exact_court().widths_m), 0.1, rng)
    fit = fitted(samples, rng)
    off = {NAMES[i]: off_sigmas(fit, i) for i in np.unique(samples.line)}
    assert max(off, key=lambda n: off[n]) == "right_singles" and off["right_singles"] > 4.5
    held, left = fit, fitted(samples, rng, free=frozenset({"right_singles"}))
    miss = [np.abs(f.rig_from_court.t_m - true_place().t_m).max() for f in (held, left)]
    assert miss[1] < miss[0]
    ends_m, cov = against_the_rest(left, stray)
    assert np.abs(ends_m - 0.03).max() < 4 * np.sqrt(np.diag(cov)).max() < 0.02
    rows = {c.line: c for c in line_checks(left, np.bincount(samples.line, minlength=len(NAMES)))}
    assert not rows["right_singles"].held and rows["baseline"].held


def test_distances_are_those_of_the_paint_not_of_the_rules(rng: np.random.Generator) -> None:
    ends = np.zeros((len(NAMES), 2))
    ends[NAMES.index("service")] = 0.02
    fit = fitted(edges_of(TRUE, Laid(ends, exact_court().widths_m), 0.05, rng), rng)
    found = {(d.first, d.second): d for d in distances(fit)}
    d = found["baseline", "service"]
    assert d.rules_m == pytest.approx(5.485)
    assert d.measured_m == pytest.approx(5.505, abs=3 * d.u_m) and d.u_m < 3e-3
    alley = found["right_singles", "right_doubles"]
    assert alley.measured_m == pytest.approx(1.37, abs=3 * alley.u_m) and alley.rules_m == pytest.approx(1.37)


def test_a_rig_of_the_wrong_size_is_noticed(rng: np.random.Generator) -> None:
    big = tuple(c.placed(replace(c.cam_from_world, t_m=1.01 * c.cam_from_world.t_m)) for c in RIG.cameras)
    fit = fit_lines(rig_of(big), edges_of(TRUE, exact_court(), 0.1, rng), true_place(), OPTIONS)
    scale, u = fit.scale
    assert scale == pytest.approx(1.01, abs=4 * u) and 0 < u < 0.002


def test_one_line_alone_leaves_the_court_free_and_says_so(rng: np.random.Generator) -> None:
    samples = edges_of(TRUE, exact_court(), 0.1, rng)
    alone = samples.only(samples.line == NAMES.index("left_singles"))
    try:
        fit = fit_lines(RIG, alone, true_place(), OPTIONS)
    except NotMeasurable as refusal:
        assert "free to move" in str(refusal)
    else:
        assert fit.origin_u_m() > 0.1
    assert fit_lines(RIG, samples, true_place(), OPTIONS).origin_u_m() < 0.01


@pytest.mark.parametrize("bad", [{"paint_u_m": 0.0}, {"bloom_u_px": -1.0}, {"click_u_px": 100.0}])
def test_options_are_checked(bad: dict[str, float]) -> None:
    with pytest.raises(BadInput, match="want"):
        LineOptions(**bad)


def test_clicks_share_the_paint_with_the_lines(rng: np.random.Generator) -> None:
    """Many exact clicks on badly laid corners must not make the court better known than its paint."""
    samples = edges_of(TRUE, exact_court(), 0.1, rng)
    points = ["baseline_left_singles", "baseline_right_singles", "service_centre", "service_left_singles"]
    clicks = [Click(c.name, p, c.project(np.array(COURT_POINTS_M[p]))) for c in TRUE[:2] for p in points]
    alone = fit_lines(RIG, samples, true_place(), OPTIONS)
    helped = fit_lines(RIG, samples, true_place(), LineOptions(click_u_px=0.3), clicks)
    assert 0.93 * alone.origin_u_m() < helped.origin_u_m() <= 1.001 * alone.origin_u_m()
    assert (helped.clicks[:, 3] == 1).all() and helped.clicks[:, 1].max() < 0.5


def test_lines_through_a_corner_by_hand() -> None:
    found = {(axis, NAMES[i]): tau for axis, i, tau in lines_through(np.array([-4.115, 5.485, 0.0]))}
    assert found == {(1, "service"): pytest.approx(0.0), (0, "left_singles"): pytest.approx(5.485 / 23.77)}
    assert [axis for axis, _, _ in lines_through(np.zeros(3))] == [1]  # the centre mark is not measured


def test_crossings_by_hand() -> None:
    by_name = {r.name: r for r in RULED_LINES}
    assert crossings_m(by_name["service"]) == pytest.approx([-4.115, 0.0, 4.115])
    assert crossings_m(by_name["left_doubles"]) == pytest.approx([0.0, 23.77])
    assert crossings_m(by_name["baseline"]) == pytest.approx([-5.485, -4.115, 0.0, 4.115, 5.485])
