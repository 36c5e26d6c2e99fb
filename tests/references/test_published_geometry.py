"""Published worked examples and rules: fits between point sets, a projection, the court's measures."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.court.model import COURT_POINTS_M, PAINTED_LINES
from calibration.geometry import Camera, Rigid, fit_similarity


def test_umeyama_s_example() -> None:
    """Umeyama S (1991), IEEE TPAMI 13:376-380, the worked example with the reflection branch.

    R, c, t as printed; the mean squared residual is recomputed (8/15), see trap 7 of the project's references.
    """
    x = np.array([[0.0, 0], [1, 0], [0, 2]])
    y = np.array([[0.0, 0], [-1, 0], [0, 2]])
    fit = fit_similarity(x, y, with_scale=True)
    np.testing.assert_allclose(fit.R, [[0.832050, 0.554700], [-0.554700, 0.832050]], atol=1e-6)
    assert fit.scale == pytest.approx(0.721110, abs=1e-6)
    np.testing.assert_allclose(fit.t, [-0.8, 0.4], atol=1e-6)
    assert fit.mean_squared_residual == pytest.approx(8 / 15, abs=1e-9)


def test_soderkvist_and_wedin_s_markers() -> None:
    """Four markers turned by 90 degrees; Söderkvist I, Wedin PÅ (1993), J Biomech 26:1473-1477."""
    a = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0]])
    b = np.array([[0.0, 0, 0], [0, 1, 0], [-1, 0, 0], [-1, 1, 0]])
    fit = fit_similarity(a, b, with_scale=False)
    np.testing.assert_allclose(fit.R, [[0, -1, 0], [1, 0, 0], [0, 0, 1]], atol=1e-12)
    np.testing.assert_allclose(fit.t, 0, atol=1e-12)
    assert fit.mean_squared_residual < 1e-24


SKEW = 0.204494


@pytest.mark.parametrize(
    ("x_cam", "uv"),
    [
        ((40, 70, 801), (345.4543953, 279.1733552)),
        ((40, 70, 800), (345.5060274, 279.2636758)),
        ((200, -150, 1000), (468.1736660, 83.3968675)),
        ((0, 0, 1000), (303.959, 206.585)),
    ],
)
def test_zhang_s_camera(x_cam: tuple[float, float, float], uv: tuple[float, float]) -> None:
    """Zhang Z (2000), IEEE TPAMI 22:1330-1334, final parameters of his five pictures.

    His model has a skew, ours has none: u differs by skew times the distorted y, which is added by hand here.
    """
    K = np.array([[832.5, 0, 303.959], [0, 832.53, 206.585], [0, 0, 1]])
    lens = np.array([-0.228601, 0.190353, 0, 0, 0])
    camera = Camera("zhang", (640, 480), K, lens, Rigid.identity("cam_zhang", "rig"))
    got = camera.project(np.array(x_cam, dtype=float))
    skewed = got + np.array([SKEW * (got[1] - 206.585) / 832.53, 0.0])
    np.testing.assert_allclose(skewed, uv, atol=5e-7)


@pytest.mark.parametrize(
    ("a", "b", "metres"),
    [
        ("baseline_centre", "far_baseline_centre", 23.77),
        ("baseline_left_singles", "baseline_right_singles", 8.23),
        ("baseline_left_doubles", "baseline_right_doubles", 10.97),
        ("service_centre", "far_service_centre", 12.80),
        ("baseline_centre", "service_centre", 5.485),
        ("baseline_left_singles", "baseline_left_doubles", 1.37),
        ("net_left_doubles", "net_right_doubles", 10.97),
        ("service_centre", "baseline_left_singles", 6.8570),
        ("baseline_left_singles", "far_baseline_right_singles", 25.1544),
        ("baseline_left_doubles", "far_baseline_right_doubles", 26.1793),
        ("baseline_left_doubles", "net_right_doubles", 16.1739),
    ],
)
def test_court_distances_of_the_rules(a: str, b: str, metres: float) -> None:
    """International Tennis Federation, Rules of Tennis, rule 1; diagonals by Pythagoras."""
    assert np.linalg.norm(np.subtract(COURT_POINTS_M[a], COURT_POINTS_M[b])) == pytest.approx(metres, abs=5e-5)


def test_centre_mark_and_service_line_of_the_rules() -> None:
    lines = {line.name: line for line in PAINTED_LINES}
    mark, service = lines["centre_mark"], lines["centre_service"]
    assert (mark.width_m, mark.y1_m - mark.y0_m) == (pytest.approx(0.05), pytest.approx(0.10))
    assert service.width_m == pytest.approx(0.05)
    # the service box's diagonal runs from net to outer edges: 6.40 m by 4.115 m
    box = np.hypot(COURT_POINTS_M["net_left_doubles"][1] - COURT_POINTS_M["service_left_singles"][1], 4.115)
    assert box == pytest.approx(7.6088, abs=5e-5)
