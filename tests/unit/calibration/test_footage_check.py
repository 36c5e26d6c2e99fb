"""Footage against the kept court picture: each thing that can go wrong is named, and nothing is made up."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calibration.footage import Image
from calibration.footage_check import (
    FootageFinding,
    KeptPictures,
    check_footage,
    check_picture,
    check_steadiness,
    kept_pictures,
)
from calibration.picture_match import features, wander_px
from tests.support.scenes import SIZE, K, camera, later, save_clip, save_scene_rig, scene, seen

COURT = {name: scene(i) for i, name in enumerate(("left", "right"))}
KEPT = KeptPictures({name: features(p) for name, p in COURT.items()})
TODAY = later(COURT["left"], 7)


def told(frame: Image, name: str = "left") -> FootageFinding:
    return check_picture(camera(name), KEPT, np.ascontiguousarray(frame))


def test_the_same_view_fits() -> None:
    for seed in range(4):
        found = told(later(COURT["left"], seed))
        assert (found.kind, found.grade) == ("as calibrated", "fits"), found
        assert abs(found.evidence["focal_scale"] - 1) < 0.001
        assert abs(found.evidence["middle_away_u_px"]) < 0.3


@pytest.mark.parametrize("scale", [0.99, 1.01, 1.25])
def test_a_zoom_is_flagged_with_its_scale(scale: float) -> None:
    found = told(seen(TODAY, [[scale, 0, (1 - scale) * 319.5], [0, scale, (1 - scale) * 179.5]]))
    assert (found.kind, found.grade) == ("zoomed", "flagged"), found
    assert found.evidence["focal_scale"] == pytest.approx(scale, abs=0.002)
    assert f"{100 * (scale - 1):+.0f}" in found.sentence


def test_a_mirrored_picture_is_refused() -> None:
    found = told(cv2.flip(TODAY, 1))
    assert (found.kind, found.grade) == ("mirrored", "refused"), found


@pytest.mark.parametrize(
    ("how", "degrees"),
    [(cv2.ROTATE_90_CLOCKWISE, 90), (cv2.ROTATE_90_COUNTERCLOCKWISE, 90), (cv2.ROTATE_180, 180)],
)
def test_a_turned_picture_is_refused(how: int, degrees: int) -> None:
    found = told(cv2.rotate(TODAY, how))
    assert (found.kind, found.grade) == ("turned", "refused") and f"by {degrees} degrees" in found.sentence


def test_exchanged_files_are_refused_for_both() -> None:
    left, right = told(later(COURT["right"], 1), "left"), told(later(COURT["left"], 2), "right")
    assert [f.kind for f in (left, right)] == ["exchanged"] * 2 and left.grade == right.grade == "refused"
    assert "this is what camera right sees, not left" in left.sentence


def test_another_size_of_the_same_field_is_told_from_a_crop() -> None:
    half = cv2.resize(TODAY, (320, 180), interpolation=cv2.INTER_AREA)
    found = told(half)
    assert (found.kind, found.grade) == ("resized", "refused") and "scaled by 0.5000" in found.sentence
    cut = told(TODAY[40:320, 70:570])
    assert (cut.kind, cut.grade) == ("cropped", "refused") and "pixels scaled by 1.000" in cut.sentence
    binned = told(cv2.resize(TODAY[60:300, 80:560], SIZE, interpolation=cv2.INTER_LINEAR)[30:330])
    assert (binned.kind, binned.grade) == ("cropped", "refused"), binned
    shifted = told(seen(TODAY, [[1.1, 0, -10.0], [0, 1.1, -60.0]]))
    assert (shifted.kind, shifted.grade) == ("cropped", "refused"), shifted


@pytest.mark.parametrize(("degrees", "grade"), [(0.6, "flagged"), (8.0, "refused")])
def test_a_turned_camera_is_told_from_a_crop(degrees: float, grade: str) -> None:
    turn = Rotation.from_rotvec(np.radians([0.0, degrees, 0.0])).as_matrix()
    found = told(cv2.warpPerspective(TODAY, K @ turn @ np.linalg.inv(K), SIZE, borderMode=cv2.BORDER_REFLECT))
    assert (found.kind, found.grade) == ("moved", grade), found
    assert found.evidence["middle_away_u_px"] == pytest.approx(560 * np.tan(np.radians(degrees)), rel=0.15)


def test_what_cannot_be_compared_says_so() -> None:
    other = told(scene(99))
    assert (other.kind, other.grade) == (
        "not comparable",
        "untold",
    ) and "too little of the court" in other.sentence
    blank = told(np.full((SIZE[1], SIZE[0], 3), 90, np.uint8))
    assert blank.kind == "not comparable"
    alone = check_picture(camera("left"), KeptPictures({}), TODAY)
    assert alone.grade == "untold" and "no court picture is kept" in alone.sentence
    upright = check_picture(camera("left"), KeptPictures({}), np.zeros((640, 360, 3), np.uint8))
    assert (upright.kind, upright.grade) == ("turned", "refused")


def frames_of(rng: np.random.Generator, wander_px: float) -> list[Image]:
    out = []
    for i in range(10):
        du, dv = rng.normal(0, wander_px, 2)
        moved = seen(COURT["left"], [[1, 0, du], [0, 1, dv]])
        moved[100:340, 100 + 12 * i : 170 + 12 * i] = 60  # somebody walks by
        out.append(np.clip(moved + rng.normal(0, 3, moved.shape), 0, 255).astype(np.uint8))
    return out


def test_a_stabilised_picture_wanders_and_a_standing_one_does_not() -> None:
    still = wander_px(frames_of(np.random.default_rng(1), 0.0))
    assert still is not None and still < 0.3
    assert check_steadiness("left", frames_of(np.random.default_rng(1), 0.0)) is None
    found = check_steadiness("left", frames_of(np.random.default_rng(2), 1.5))
    assert found is not None and found.kind == "wandering" and found.grade == "flagged"
    assert 1.5 < found.evidence["wander_px"] < 6.0
    noise = np.random.default_rng(3)
    blind = [noise.integers(0, 255, (SIZE[1], SIZE[0], 3), dtype=np.uint8) for _ in range(6)]
    assert wander_px(blind) is None


def test_a_whole_session_from_its_files(tmp_path: Path) -> None:
    root = tmp_path / "rig"
    rig = save_scene_rig(root, COURT)
    save_clip(tmp_path / "left.mp4", COURT["right"])
    save_clip(tmp_path / "right.mp4", COURT["left"])
    kept = kept_pictures(root / "derived" / "calibrated_rig.json")
    found = check_footage(rig, kept, {n: tmp_path / f"{n}.mp4" for n in ("left", "right")})
    assert [(f.camera, f.kind) for f in found] == [("left", "exchanged"), ("right", "exchanged")]
    right_way = check_footage(rig, kept, {"left": tmp_path / "right.mp4", "right": tmp_path / "left.mp4"})
    assert [f.grade for f in right_way] == ["fits", "fits"]
    assert kept_pictures(tmp_path / "derived" / "rig.json").by_camera == {}
