"""What a fit leaves over: noise is no pattern, a wrong lens model is one; and the pictures of a calibration."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.court.registration import register_court
from calibration.errors import NotMeasurable
from calibration.pictures import draw_position_u, draw_residuals
from calibration.residuals import Residuals, pattern, pattern_flags
from tests.support.rig_worlds import SIZE_PX
from tests.unit.calibration.test_registration import EXACT, RIG


def left_over(seed: int, bend_px: float) -> Residuals:
    """Noise of 0.2 px, and a radial miss that grows to bend_px in the picture's corners."""
    rng = np.random.default_rng(seed)
    uv = rng.uniform((0, 0), SIZE_PX, (4000, 2))
    from_middle = (uv - np.array(SIZE_PX) / 2) / (np.hypot(*SIZE_PX) / 2)
    r = np.linalg.norm(from_middle, axis=1, keepdims=True)
    return Residuals("left", SIZE_PX, uv, rng.normal(0, 0.2, uv.shape) + bend_px * from_middle * r**2)


def test_noise_is_hardly_ever_called_a_pattern() -> None:
    z = np.array([pattern(left_over(seed, 0.0)).z for seed in range(60)])
    assert abs(z.mean()) < 0.6 and 0.6 < z.std() < 1.6 and z.max() < 6
    assert pattern_flags([left_over(0, 0.0)]) == []


def test_a_wrong_lens_model_is_a_pattern_of_its_true_size() -> None:
    bent = left_over(1, 1.5)
    p = pattern(bent)
    from_middle = (p.centre_px - np.array(SIZE_PX) / 2) / (np.hypot(*SIZE_PX) / 2)
    true = 1.5 * np.linalg.norm(from_middle, axis=1) ** 3
    assert p.z > 20 and p.systematic_px == pytest.approx(np.sqrt((true**2).mean()), rel=0.1)
    (flag,) = pattern_flags([bent])
    assert flag.startswith("left: the lens model leaves a pattern of 0.")


def test_pictures_are_written_whole_and_alike(tmp_path: Path) -> None:
    draw_residuals(tmp_path / "a.png", [left_over(1, 1.5), left_over(2, 0.0)])
    draw_residuals(tmp_path / "b.png", [left_over(1, 1.5), left_over(2, 0.0)])
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
    placed = register_court(RIG, EXACT)
    draw_position_u(tmp_path / "u.png", placed)
    for name in ("a.png", "u.png"):
        image = cv2.imread(str(tmp_path / name))
        assert image is not None and image.shape[1] > 900 and image.std() > 10
    blind = replace(placed, cameras=placed.cameras[:1], covariance=placed.covariance[:18, :18])
    with pytest.raises(NotMeasurable, match="no place near the server is seen by two cameras"):
        draw_position_u(tmp_path / "none.png", blind)
