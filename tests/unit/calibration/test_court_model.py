"""The court model's names, frame and painted lines."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.court.model import COURT_POINTS_M, OUTLINES_M, PAINTED_LINES, POINTS, SERVE_VOLUME, court_point
from calibration.errors import BadInput


def test_left_and_right_mirror_each_other() -> None:
    for name, (x, y, z) in COURT_POINTS_M.items():
        if "left" in name:
            assert COURT_POINTS_M[name.replace("left", "right")] == (-x, y, z) and x < 0


def test_every_point_says_how_to_click_it() -> None:
    texts = [p.how_to_click for p in POINTS]
    assert len(set(texts)) == len(texts) == 21
    assert all(t.endswith(".") and "\n" not in t for t in texts)


def test_every_point_lies_on_a_painted_edge_or_middle() -> None:
    edges_x = {round(v, 6) for line in PAINTED_LINES for v in (line.x0_m, line.x1_m)} | {0.0}
    for x, _, z in (p.xyz_m for p in POINTS if p.painted):
        assert z == 0 and round(x, 6) in edges_x


def test_paint_stays_within_the_rules() -> None:
    for line in PAINTED_LINES:
        limit = 0.10 if "baseline" in line.name else 0.05
        assert 0 < line.width_m <= limit + 1e-9, line.name
        assert line.corners_m().shape == (4, 3)
    xs = [v for line in PAINTED_LINES for v in (line.x0_m, line.x1_m)]
    ys = [v for line in PAINTED_LINES for v in (line.y0_m, line.y1_m)]
    np.testing.assert_allclose([min(xs), max(xs), min(ys), max(ys)], [-5.485, 5.485, 0, 23.77])


def test_outlines_end_with_the_net() -> None:
    assert max(z for _, _, z in OUTLINES_M[-1]) == 1.07
    assert all(z == 0 for line in OUTLINES_M[:-1] for _, _, z in line)


def test_serve_volume_grid_spans_the_box() -> None:
    grid = SERVE_VOLUME.grid_m((3, 2, 4))
    assert grid.shape == (24, 3)
    np.testing.assert_allclose(grid.min(axis=0), [-1.5, -0.6, 0.0])
    np.testing.assert_allclose(grid.max(axis=0), [1.5, 1.0, 3.1])


def test_an_unknown_point_is_named_with_the_known_ones() -> None:
    with pytest.raises(BadInput, match=r"'base_line'; want one of baseline_centre, "):
        court_point("base_line")
