"""Clips that agree at no offset: the mistake behind it is named. All INVENTED."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.errors import NotMeasurable
from recon.records import KEYPOINTS, CameraTracks, Tracks2D
from recon.sync import estimate_clocks, spreads, standing_alone, take_flags, why_apart
from tests.support.serve_series import ServeSeries, seen
from tests.support.world import InventedMotion, seen_by, three_cameras

CAMERAS = three_cameras()
STARTS_S = (0.0, 0.2, -0.15)


def clips(count: int = 3) -> list[CameraTracks]:
    serve = ServeSeries((2.0,))
    return [
        seen(c, serve, start, (0.0, 3.3), sigma_px=2.0, seed=k)
        for k, (c, start) in enumerate(zip(CAMERAS[:count], STARTS_S, strict=False))
    ]


def told(cameras: list[CameraTracks]) -> str:
    """What is said, of clips for which no clocks are found or that do not agree under them."""
    used = CAMERAS[: len(cameras)]
    tracks = Tracks2D(KEYPOINTS, tuple(cameras), "invented")
    try:
        assert take_flags(spreads(used, tracks, estimate_clocks(used, tracks))), "want clips that are apart"
    except NotMeasurable as error:
        assert "no time offset stands out" in str(error)
    return why_apart(used, tracks)


def mirrored(one: CameraTracks) -> CameraTracks:
    """What a detector finds in a mirrored picture: it calls the left hand right."""
    uv, sigma = one.uv_px.copy(), one.sigma_px.copy()
    uv[..., 0] = one.size_px[0] - 1 - uv[..., 0]
    for k, name in enumerate(KEYPOINTS):
        if name.startswith("left_"):
            o = KEYPOINTS.index("right_" + name.removeprefix("left_"))
            uv[:, [k, o]], sigma[:, [k, o]] = uv[:, [o, k]], sigma[:, [o, k]]
    return replace(one, uv_px=uv, sigma_px=sigma)


def test_a_mirrored_camera_is_named() -> None:
    a, b, c = clips()
    assert "the clip of rear_right agrees once it is mirrored" in told([a, mirrored(b), c])


def test_exchanged_names_are_named() -> None:
    a, b, c = clips()
    said = told([a, replace(c, camera="rear_right"), replace(b, camera="side")])
    assert "the clip named side is rear_right's, the clip named rear_right is side's" in said


def test_slow_motion_that_nobody_spoke_of_is_named() -> None:
    a, b = clips(2)
    factor = 4.0
    said = told([a, replace(b, t_cam_s=b.t_cam_s * factor)])
    assert f"the clip of rear_right agrees once it runs {factor:g} times faster" in said
    assert "[video_rate]" in said


def test_a_clip_of_another_movement_is_named_where_the_others_agree(rng: np.random.Generator) -> None:
    a, b, _ = clips()
    other = seen_by(
        CAMERAS, InventedMotion(4), offsets_s=dict.fromkeys([c.name for c in CAMERAS], 0.0), rng=rng
    )
    said = told([a, b, other.of("side")])
    assert "rear_left and rear_right agree with each other: the clip of side shows another serve" in said


def test_clips_of_one_take_are_not_talked_about() -> None:
    cameras = tuple(clips())
    assert why_apart(CAMERAS, Tracks2D(KEYPOINTS, cameras, "invented")) == ""


def alone(cameras: list[CameraTracks]) -> str | None:
    return standing_alone(CAMERAS[: len(cameras)], Tracks2D(KEYPOINTS, tuple(cameras), "invented"))


def test_a_clip_of_another_movement_stands_alone_and_one_of_two_does_not(rng: np.random.Generator) -> None:
    a, b, c = clips()
    other = seen_by(CAMERAS, InventedMotion(4), offsets_s={k.name: 0.0 for k in CAMERAS}, rng=rng)
    assert alone([a, b, other.of("side")]) == "side"
    assert alone([a, b, c]) is None and alone([a, other.of("rear_right")]) is None


def test_a_clip_in_which_nothing_moves_stands_alone_however_fast_it_is_played(rng: np.random.Generator) -> None:
    a, b, c = clips()
    still = np.repeat(c.uv_px[:1], len(c.uv_px), axis=0) + rng.normal(0, 0.2, c.uv_px.shape)
    assert (
        alone([a, b, replace(c, uv_px=still, sigma_px=np.where(np.isnan(still[..., 0]), np.nan, 1.5))])
        == "side"
    )


def test_slow_motion_does_not_stand_alone() -> None:
    """It is said how it is mended, and not left out."""
    a, b, c = clips(2)[0], clips(2)[1], clips()[2]
    assert alone([a, b, replace(c, t_cam_s=c.t_cam_s * 4.0)]) is None
