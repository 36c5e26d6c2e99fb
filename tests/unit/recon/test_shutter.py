"""Rolling shutters: as told, from the side that the file says, and where nothing is told."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchmarks.motion_world import Order, Recording, record
from calibration.errors import BadInput
from recon.assets import body_wheel
from recon.instants import points_at_instants
from recon.motion import fit_motion
from recon.pipeline.shutters import shutters_of
from recon.records import NOT_TOLD, CameraTracks, Clock, Clocks, Shutter, Tracks2D
from recon.session import Session, load_session
from recon.sync import shutter_not_told, with_shutters
from recon.wording import clock_texts
from tests.support.board_pictures import write_video

FEW = ("racket_tip", "right_wrist", "left_hip")
T = np.arange(60) / 120
GREY = [np.full((48, 64), 128, np.uint8)] * 2


@pytest.mark.parametrize(("side", "pixel"), [("top", (3, -0.5)), ("bottom", (3, 719.5)), ("left", (-0.5, 3)),
                                             ("right", (1279.5, 3))])  # fmt: skip
def test_the_first_side_comes_half_a_readout_before_the_middle(side: str, pixel: tuple[float, float]) -> None:
    clock = Clock("a", 1.0, 0.0, readout_s=0.008, first_side=side)
    at = clock.rig_time(2.0, np.array([pixel, (639.5, 359.5)]), (1280, 720))
    assert at == pytest.approx([2.996, 3.0])


def test_what_is_no_shutter_is_refused() -> None:
    with pytest.raises(BadInput, match="first side"):
        Clock("a", 0.0, 0.0, first_side="up")
    with pytest.raises(BadInput, match=">= 0"):
        Shutter(-0.001)


def test_untold_is_a_rectangle_over_a_frame() -> None:
    """By hand: 0 to 8.33 ms is 4.17 with u 2.41 ms; at 25 pictures a second it is 0 to 33.3 ms."""
    fast, slow = shutter_not_told(1 / 120), shutter_not_told(1 / 25, "left")
    assert (fast.readout_s, fast.u_s) == pytest.approx((1 / 240, 0.0024056), rel=1e-4)
    assert fast.source == NOT_TOLD
    assert (slow.readout_s, slow.first_side) == (pytest.approx(1 / 60), "left")


def tracks(names: tuple[str, ...]) -> Tracks2D:
    seen = np.ones((len(T), 1, 2))
    return Tracks2D(
        ("ball",), tuple(CameraTracks(n, (64, 48), T, seen, seen[..., 0]) for n in names), "made up"
    )


def session(folder: Path, shutter: str) -> Session:
    videos = '[video]\nupright = "upright.mp4"\nlying = "lying.mp4"\n'
    head = 'rig = "rig"\nhandedness = "right"\n'
    (folder / "session.toml").write_text(f"{head}{videos}{shutter}", encoding="utf-8")
    return load_session(folder)


def test_a_session_s_shutters(tmp_path: Path) -> None:
    write_video(tmp_path / "upright.mp4", GREY, fps=30, turn_degrees=90)
    write_video(tmp_path / "lying.mp4", GREY, fps=30)
    names = ("upright", "lying")
    got = shutters_of(
        session(tmp_path, "[shutter]\nupright = { readout_ms = 6.0, u_ms = 0.4 }\n"), tracks(names)
    )
    # turned anticlockwise, the stored first row stands at the left
    assert got["upright"] == Shutter(0.006, 0.0004, "left")
    assert got["lying"].readout_s == pytest.approx(1 / 240) and got["lying"].first_side == "top"
    told = '[shutter]\nupright = { first_side = "top" }\nlying = { readout_ms = 6.0 }\n'
    got = shutters_of(session(tmp_path, told), tracks(names))
    assert got["upright"].first_side == "top" and got["upright"].source == NOT_TOLD
    assert got["lying"].u_s == pytest.approx(0.0003)


@pytest.mark.parametrize(
    ("shutter", "wanted"),
    [
        (
            "lying = { readout_ms = 20.0 }",
            r"\[shutter\] lying: want a readout within a frame.*8\.3 ms, got 20 ms",
        ),
        ("lynig = { readout_ms = 6.0 }", "no camera 'lynig'"),
        ("lying = { u_ms = 6.0 }", "readout_ms beside u_ms"),
        ("lying = { readout_ms = -1 }", r"shutter\.lying\.readout_ms"),
        ('lying = { first_side = "up" }', r"shutter\.lying\.first_side"),
    ],
)
def test_each_mistake_is_named(tmp_path: Path, shutter: str, wanted: str) -> None:
    for name in ("upright", "lying"):
        write_video(tmp_path / f"{name}.mp4", GREY, fps=30)
    with pytest.raises(BadInput, match=wanted) as caught:
        shutters_of(session(tmp_path, f"[shutter]\n{shutter}\n"), tracks(("upright", "lying")))
    assert "session.toml" in str(caught.value)


def test_what_is_known_of_a_shutter_is_said() -> None:
    clocks = Clocks("a", (Clock("a", 0.0, 0.0), Clock("b", 0.5, 0.0002), Clock("c", 0.1, 0.001)))
    shutters = {"b": Shutter(0.008, 0.0004, "left"), "c": shutter_not_told(1 / 60)}
    texts = dict(clock_texts(with_shutters(clocks, shutters)))
    assert texts["a"] == "its clock is the serve's clock; all rows exposed at once (told)"
    assert texts["b"].endswith("added to its own clock (from motion); rows read in 8.0 ± 0.8 ms (told)")
    assert "not told" in texts["c"] and texts["c"].endswith("8.3 ms is taken, with u 4.8 ms")
    fast = replace(clocks.of("b"), drift=2e-5, u_drift=2e-6, drift_source="motion")
    drifting = dict(clock_texts(Clocks("a", (clocks.of("a"), fast))))
    assert "gaining 20 ± 4 µs a second" in drifting["b"]


# -- goal G9 ---------------------------------------------------------------------------------------------


def tip_error_mm(recording: Recording, shutter: Shutter) -> tuple[float, float]:
    """Root mean square of the racket tip over the clip, and within 4 frames of contact."""
    keep = [recording.tracks.index(name) for name in FEW]
    seen = tuple(
        CameraTracks(c.camera, c.size_px, c.t_cam_s, c.uv_px[:, keep], c.sigma_px[:, keep])
        for c in recording.tracks.cameras
    )
    few = Tracks2D(FEW, seen, "invented", tuple(recording.tracks.noise[k] for k in keep))
    clocks = with_shutters(recording.clocks, {c.camera: shutter for c in few.cameras})
    points = points_at_instants(recording.cameras, few, clocks)
    motion, _ = fit_motion(recording.cameras, few, clocks, points)
    true = recording.at(motion.t_s)
    error2 = ((motion.xyz_m[:, 0] - true.xyz_m[:, true.column(FEW[0])]) ** 2).sum(axis=1)
    near = error2[true.contact - 4 : true.contact + 5]
    return 1e3 * float(np.sqrt(np.nanmean(error2))), 1e3 * float(np.sqrt(np.nanmean(near)))


@pytest.mark.parametrize("side", ["top", "right"])
def test_a_told_readout_costs_next_to_nothing_and_an_ignored_one_does(side: str) -> None:
    """Goal G9: 8 ms at 120 pictures a second, beside a global shutter under the same noise."""
    try:
        body_wheel()
    except BadInput as error:
        pytest.skip(str(error))
    order = {"rig": "2 cameras", "fps": 120.0, "first_side": side}
    still, rolling = record(Order(**order), 1), record(Order(**order, readout_s=0.008), 1)
    best, _ = tip_error_mm(still, Shutter())
    told, told_near = tip_error_mm(rolling, Shutter(0.008, 0.0, side))
    _, untold_near = tip_error_mm(rolling, shutter_not_told(1 / 120, side))
    ignored, ignored_near = tip_error_mm(rolling, Shutter())
    assert told < 1.05 * best < ignored
    assert ignored_near > 1.5 * untold_near > 1.5 * told_near
