"""racket_points.csv: what is read, what is refused, which frame is meant; and what clicks foretell
elsewhere."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration import BadInput, Camera, Rigid
from recon.epipolar import disagreement, essential
from recon.racket_points import (
    CLICK_SIGMA_PX,
    LEAST_FRAMES,
    CameraFrames,
    Foreteller,
    Row,
    Seen,
    epipolar_line,
    nearest_to_rays,
    placed,
    read_racket_points,
    still_wanted,
    wanted_instants,
    write_racket_points,
)
from recon.records import Clock, Clocks
from tests.support.world import three_cameras

HEAD = "camera,frame,time_s,point,u_px,v_px,sigma_px\n"
FRAMES = {
    "side": CameraFrames("side", (1280, 720), np.arange(50) / 100),
    "rear_left": CameraFrames("rear_left", (1280, 720), np.arange(50) / 100, within_s=(0.1, 0.4)),
}


def written(folder: Path, text: str) -> Path:
    path = folder / "racket_points.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    rows = (
        Row("rear_left", "racket_tip", 612.25, 70.5, frame=12),
        Row("rear_left", "racket_edge_1", 600.0, 71.0, frame=12, sigma_px=3.0),
        Row("side", "racket_butt", 1.0, 2.0, time_s=0.125),
    )
    path = tmp_path / "racket_points.csv"
    write_racket_points(path, rows)
    got = {replace(r, line=0) for r in read_racket_points(path)}
    assert got == set(rows)


def test_frame_or_time_and_no_sigma_will_do(tmp_path: Path) -> None:
    path = written(tmp_path, "camera, frame, point, u_px, v_px\nside, 3, racket_tip, 10, 20.5\n")
    assert read_racket_points(path) == (Row("side", "racket_tip", 10.0, 20.5, 3, None, CLICK_SIGMA_PX, 2),)
    path = written(tmp_path, "camera,time_s,point,u_px,v_px,sigma_px\nside,0.301,racket_tip,10,20,1.5\n")
    (point,) = placed(path, read_racket_points(path), FRAMES)
    assert (point.t_s, point.uv_px, point.sigma_px) == (0.3, (10.0, 20.0), 1.5)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "want columns"),
        ("camera,point,u_px,v_px\n", "frame or time_s"),
        ("camera,frame,point,u_px\n", "want columns"),
        (HEAD.replace("sigma_px", "sure"), "unknown column 'sure'"),
        (HEAD + "side,3,,racket_tip,1\n", "row 2: want 7 values"),
        (HEAD + "side,3,,racket_tip,1,2,,9\n", "row 2: want 7 values"),
        (HEAD + "side,3,,racket_top,1,2,\n", "row 2: unknown point 'racket_top'"),
        (HEAD + "side,3,,left_wrist,1,2,\n", "unknown point 'left_wrist'"),
        (HEAD + "side,,,racket_tip,1,2,\n", "frame or time_s, got neither"),
        (HEAD + "side,3,0.03,racket_tip,1,2,\n", "frame or time_s, got both"),
        (HEAD + "side,3.5,,racket_tip,1,2,\n", "frame: want a whole number"),
        (HEAD + "side,-1,,racket_tip,1,2,\n", "frame: want a whole number"),
        (HEAD + "side,3,,racket_tip,left,2,\n", "u_px: want a number, got 'left'"),
        (HEAD + "side,3,,racket_tip,1,nan,\n", "v_px: want a number"),
        (HEAD + "side,3,,racket_tip,1,2,0\n", "sigma_px: want > 0"),
        (HEAD + "side,3,,racket_tip,1,2,\nside,3,,racket_tip,5,6,\n", "row 3: racket_tip of this frame"),
        (HEAD + "attic,3,,racket_tip,1,2,\n", "unknown camera 'attic'; want one of side, rear_left, front"),
        (HEAD + "side,50,,racket_tip,1,2,\n", "frame 50 is beyond the clip, whose last frame is 49"),
        (HEAD + "side,,0.6,racket_tip,1,2,\n", "no frame at 0.6 s"),
        (HEAD + "side,,0.496,racket_tip,1,2,\n", "no frame at 0.496 s"),  # the last is at 0.49 s
        (HEAD + "rear_left,5,,racket_tip,1,2,\n", "beyond the clip, which is 0.1 s to 0.4 s"),
        (HEAD + "rear_left,40,,racket_tip,1,2,\n", "beyond the clip, which is 0.1 s to 0.4 s"),
        (HEAD + "side,3,,racket_tip,1279.6,2,\n", "inside the picture of 1280x720"),
        (HEAD + "side,3,,racket_tip,1,719.6,\n", "inside the picture of 1280x720"),
        (HEAD + "side,3,,racket_tip,1,2,\nside,,0.032,racket_tip,5,6,\n", "row 3: .* stands in row 2 too"),
    ],
)
def test_what_is_at_fault_is_named(tmp_path: Path, text: str, says: str) -> None:
    path = written(tmp_path, text)
    with pytest.raises(BadInput, match=says):
        placed(path, read_racket_points(path), FRAMES, unused=["front"])


def test_frames_cannot_be_counted_without_a_video(tmp_path: Path) -> None:
    path = written(tmp_path, HEAD + "side,3,,racket_tip,1,2,\n")
    with pytest.raises(BadInput, match="give time_s instead"):
        placed(path, read_racket_points(path), {"side": replace(FRAMES["side"], numbered=False)})


def test_rows_of_cameras_that_are_not_used_are_passed_over(tmp_path: Path) -> None:
    path = written(tmp_path, HEAD + "front,3,,racket_tip,1,2,\nside,3,,racket_tip,1,2,\n")
    assert [p.camera for p in placed(path, read_racket_points(path), FRAMES, unused=["front"])] == ["side"]


# -- lines and places that help --------------------------------------------------------------------------


def beside_each_other() -> tuple[Camera, Camera]:
    """Two pinholes looking the same way, the second 1 m to the right of the first: lines are the picture's
    rows."""
    K = np.array([[1000.0, 0, 639.5], [0, 1000.0, 359.5], [0, 0, 1]])
    first = Camera("a", (1280, 720), K, np.zeros(5), Rigid(np.eye(3), np.zeros(3), "cam_a", "court"))
    second = Rigid(np.eye(3), np.array([-1.0, 0, 0]), "cam_b", "court")
    return first, Camera("b", (1280, 720), K, np.zeros(5), second)


def test_the_line_between_cameras_side_by_side_is_the_row() -> None:
    a, b = beside_each_other()
    line = epipolar_line(a, np.array([800.0, 200.0]), b)
    np.testing.assert_allclose(line[:, 1], 200.0, atol=1e-9)
    # at depth z the point lies 1000 / z further left; 40 m along this ray z is 40 m over its slant
    slant = np.sqrt(1 + 0.1605**2 + 0.1595**2)
    assert line[:, 0].max() == pytest.approx(800 - 1000 * slant / 40)
    assert line[:, 0].min() >= -640.0


@given(st.floats(-0.6, 0.6), st.floats(-1.0, 0.6), st.floats(0.3, 2.8))
@settings(max_examples=40, deadline=None)
def test_a_point_lies_on_the_line_that_its_other_picture_draws(x: float, y: float, z: float) -> None:
    """Also through lenses that bend it, and as the essential matrix says."""
    rear, _, side = three_cameras()
    point = np.array([x, y, z])
    line = epipolar_line(rear, rear.project(point), side)
    a, b = line[:-1], line[1:]
    along = np.clip(
        ((side.project(point) - a) * (b - a)).sum(1) / np.maximum(((b - a) ** 2).sum(1), 1e-12), 0, 1
    )
    away = np.linalg.norm(a + along[:, None] * (b - a) - side.project(point), axis=1)
    assert away.min() < 0.1
    inner = line[(np.abs(line / side.size_px - 0.5) < 0.5).all(axis=1)]
    off, _ = disagreement(essential(rear, side), rear.normalised(rear.project(point)), side.normalised(inner))
    np.testing.assert_allclose(off, 0, atol=1e-7)


def test_a_camera_that_looks_away_gets_no_line() -> None:
    a, b = beside_each_other()
    turned = Rigid(np.diag([-1.0, 1.0, -1.0]), np.zeros(3), "cam_b", "court")
    assert len(epipolar_line(a, np.array([800.0, 200.0]), b.placed(turned))) == 0


def test_rays_meet_where_the_point_is() -> None:
    point = np.array([0.2, -0.1, 2.1])
    seen = [(c, c.project(point)) for c in three_cameras()]
    np.testing.assert_allclose(nearest_to_rays(seen), point, atol=1e-6)


CAMERAS = three_cameras()
OFFSETS_S = {"rear_left": 0.0, "rear_right": 0.2031, "side": -0.1017}
CLOCKS = Clocks("rear_left", tuple(Clock(n, s, 0.0) for n, s in OFFSETS_S.items()))
FORETELLER = Foreteller(CAMERAS, CLOCKS, dict.fromkeys(OFFSETS_S, 0.01))


def path_m(t: float) -> np.ndarray:
    """A tip on a circle of 0.6 m, 8 m/s fast."""
    angle = 8.0 / 0.6 * t
    return np.array([0.6 * np.cos(angle), 0.1, 1.6 + 0.6 * np.sin(angle)])


def clicked(names: tuple[str, ...], rig_s: np.ndarray) -> list[Seen]:
    """Clicks in the frames nearest to these times, every camera having its own."""
    out = []
    for camera in CAMERAS:
        if camera.name in names:
            for t in np.round((rig_s - OFFSETS_S[camera.name]) * 100) / 100:
                u, v = camera.project(path_m(t + OFFSETS_S[camera.name]))
                out.append(Seen(camera.name, "racket_tip", float(t), (float(u), float(v))))
    return out


def test_a_camera_without_clicks_is_told_where_the_point_is() -> None:
    clicks = clicked(("rear_left", "rear_right"), np.arange(5) * 0.05 + 0.5)
    side = CAMERAS[2]
    for rig in (0.52, 0.575, 0.65):
        got = FORETELLER.place(clicks, "racket_tip", "side", rig - OFFSETS_S["side"])
        assert got is not None
        assert np.linalg.norm(got - side.project(path_m(rig))) < 6.0  # 4 px a frame at each of the two ends
    assert FORETELLER.place(clicks, "racket_tip", "side", 1.5) is None
    assert FORETELLER.place(clicks, "racket_butt", "side", 0.52 - OFFSETS_S["side"]) is None


def test_the_line_is_that_of_the_other_click_moved_on_to_this_frames_time() -> None:
    """The cameras' frames lie 3.1 ms apart: 25 mm of the tip's way. The line passes nearer than that."""
    clicks = clicked(("rear_left",), np.arange(5) * 0.05 + 0.5)
    right = CAMERAS[1]
    t = 0.60 - 0.2031 + 0.0031  # a frame of that camera
    (line,) = FORETELLER.lines(clicks, "racket_tip", "rear_right", t)
    assert line.from_camera == "rear_left"
    true = right.project(path_m(t + OFFSETS_S["rear_right"]))
    assert np.linalg.norm(line.uv_px - true, axis=1).min() < 60
    step = np.diff(line.uv_px, axis=0)
    normal = np.stack([-step[:, 1], step[:, 0]], axis=1) / np.linalg.norm(step, axis=1)[:, None]
    near = np.linalg.norm(line.uv_px[:-1] - true, axis=1).argmin()
    assert abs((true - line.uv_px[near]) @ normal[near]) < 0.5
    assert FORETELLER.lines(clicks, "racket_tip", "rear_right", t + 0.02) == []  # no click at that time


def test_what_is_still_wanted_is_counted_and_gaps_are_named() -> None:
    words = {n: n.replace("_", " ") for n in OFFSETS_S}
    names = list(OFFSETS_S)
    assert "rear left 5 more, rear right 5 more" in still_wanted([], names, words)
    clicks = clicked(("rear_left", "side"), np.arange(4) * 0.05)
    assert "rear left 1 more, side 1 more" in still_wanted(clicks, names, words)
    enough = clicked(("rear_left", "side"), np.arange(5) * 0.05)
    assert still_wanted(enough, names, words).startswith("Enough around the crossing")
    wide = clicked(("rear_left", "side"), np.array([0, 0.05, 0.1, 0.15, 0.38]))
    assert "rear left (230 ms), side (230 ms)" in still_wanted(wide, names, words)


def test_wanted_instants_lie_before_contact_and_near_each_other() -> None:
    t = wanted_instants(1.6)
    assert len(t) == LEAST_FRAMES and np.diff(t).max() < 0.06
    assert (t[0], t[-1]) == (pytest.approx(1.335), pytest.approx(1.53))
    np.testing.assert_allclose(wanted_instants(None, 1.51), t)  # the racket is lowest about 0.09 s before
    assert len(wanted_instants(None)) == 0
