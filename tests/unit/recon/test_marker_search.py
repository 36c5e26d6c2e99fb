"""The search for tape and ball, against its definition asked of every pixel."""

import colorsys

import cv2
import numpy as np
import pytest

from recon.keypoints.markers import MARKERS, MarkerOptions, find_markers, marker_sigma_px
from recon.records import EDGES

_HUES = (300.0, 180.0, 30.0, 75.0)
_OPTIONS = MarkerOptions(hues_deg=_HUES, tolerance_deg=15.0)
_EDGED = MarkerOptions(hues_deg=_HUES, tolerance_deg=15.0, edge_hue_deg=240.0)
_SIZE = (90, 120)


def _bgr(hue_deg: float, saturation: float = 1.0, value: float = 1.0) -> np.ndarray:
    red, green, blue = colorsys.hsv_to_rgb(hue_deg / 360, saturation, value)
    return np.round(255 * np.array([blue, green, red]))


def _pictures(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """A noisy picture with patches of the markers' and other colours, and the empty scene behind it."""
    rng = np.random.default_rng(seed)
    scene = rng.integers(40, 140, (*_SIZE, 3)).astype(np.uint8)
    picture = scene.astype(float)
    for hue in (*_HUES, *_HUES, 120.0, 240.0, 240.0):
        at = rng.integers(0, _SIZE[::-1])
        patch = np.zeros(_SIZE, np.uint8)
        cv2.circle(patch, tuple(int(p) for p in at), int(rng.integers(1, 6)), 255, -1)
        picture[patch > 0] = _bgr(hue, rng.uniform(0.3, 1.0), rng.uniform(0.3, 1.0))
    picture += rng.normal(0, 8, picture.shape)
    return np.clip(np.round(picture), 0, 255).astype(np.uint8), scene


def _by_definition(picture: np.ndarray, scene: np.ndarray, region: tuple[int, int, int, int]) -> np.ndarray:
    """(6, 3) middle and area of the largest patch of each colour, of two of the edges': every pixel asked
    everything, patches grown by hand.
    """
    left, top, right, bottom = region
    new, old = picture.astype(int), scene.astype(int)
    hsv = cv2.cvtColor(picture, cv2.COLOR_BGR2HSV_FULL).astype(int)
    there = (np.abs(new - old).max(axis=2) >= _OPTIONS.min_difference) & (
        (new - old).max(axis=2) >= _OPTIONS.min_increase
    )
    there &= (hsv[..., 1] >= round(255 * _OPTIONS.min_saturation)) & (hsv[..., 2] >= _OPTIONS.min_value)
    inside = np.zeros(_SIZE, bool)
    inside[top:bottom, left:right] = True
    out = np.full((len(MARKERS), 3), np.nan)
    for k, hue, count in ((0, 300.0, 1), (1, 180.0, 1), (2, 30.0, 1), (3, 75.0, 1), (4, 240.0, 2)):
        off = np.abs((hsv[..., 0] * 360 / 256 - hue + 180) % 360 - 180)
        left_over = {(int(y), int(x)) for y, x in np.argwhere(there & inside & (off <= _OPTIONS.tolerance_deg))}
        patches = []
        while left_over:
            patch, edge = [], [left_over.pop()]
            while edge:
                y, x = edge.pop()
                patch.append((y, x))
                # grown by one pixel on either side, two that lie within three of each other touch
                near = {(b, a) for b, a in left_over if abs(b - y) <= 3 and abs(a - x) <= 3}
                left_over -= near
                edge += near
            patches.append(sorted(patch))
        patches = [p for p in patches if _OPTIONS.min_area_px <= len(p) <= _OPTIONS.max_area_px]
        largest = sorted(patches, key=lambda p: (-len(p), p))[:count]  # the upper one of two equal ones
        for n, best in enumerate(largest, start=k):
            weight = np.array([hsv[y, x, 1] for y, x in best])
            out[n] = (*np.average(np.array(best)[:, ::-1], axis=0, weights=weight), len(best))
    return out


@pytest.mark.parametrize("seed", range(12))
def test_what_is_found_is_what_the_definition_says(seed: int) -> None:
    picture, scene = _pictures(seed)
    region = (0, 0, _SIZE[1], _SIZE[0]) if seed % 2 else (20, 0, 110, 80)
    uv, sigma = find_markers(picture, scene, region, _EDGED)
    wanted = _by_definition(picture, scene, region)
    assert not np.isnan(wanted).all()
    np.testing.assert_allclose(uv, wanted[:, :2], atol=1e-9)
    np.testing.assert_allclose(sigma, [marker_sigma_px(area) for area in wanted[:, 2]], atol=1e-12)


def test_nothing_is_found_where_nothing_is_new() -> None:
    picture, _ = _pictures(0)
    uv, sigma = find_markers(picture, picture, (0, 0, _SIZE[1], _SIZE[0]), _OPTIONS)
    assert np.isnan(uv).all()
    assert np.isnan(sigma).all()


def test_a_shadow_is_not_a_marker() -> None:
    picture, _ = _pictures(0)
    lit = np.clip(picture.astype(int) + 60, 0, 255).astype(np.uint8)
    uv, _ = find_markers(picture, lit, (0, 0, _SIZE[1], _SIZE[0]), _OPTIONS)
    assert np.isnan(uv).all()


def test_edges_are_not_sought_where_no_colour_is_given() -> None:
    picture, scene = _pictures(1)
    region = (0, 0, _SIZE[1], _SIZE[0])
    uv, sigma = find_markers(picture, scene, region, _OPTIONS)
    both, _ = find_markers(picture, scene, region, _EDGED)
    edges = [MARKERS.index(name) for name in EDGES]
    assert np.isnan(uv[edges]).all()
    assert np.isnan(sigma[edges]).all()
    assert not np.isnan(both[edges]).any()
    np.testing.assert_array_equal(uv[:4], both[:4])
