"""Sessions in which something is amiss, from their pixels to what the command prints and the page says.

Each has to end in a clear message and in whatever can still be measured. The serve, its player and all pixels
are INVENTED; no picture is looked at: what was found in them is given, as a former run keeps it.
"""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from calibration import save_rig
from calibration.checks import Array
from calibration.geometry import Camera
from recon import store
from recon.cli import app
from recon.keypoints import ClipTracks, tracks_from_clips
from recon.keypoints.balls import NO_BALLS
from recon.measures import evaluate
from recon.pipeline import PipelineOptions, joint_centres, measure_kept_tracks, run, second_look
from recon.pipeline.detect import Found
from recon.pipeline.options import silent
from recon.pipeline.whom import whom_to_follow
from recon.records import BODY, KEYPOINTS, SOUGHT, CameraTracks, Tracks2D
from recon.records.arc import arc
from recon.report import render_report
from recon.result import Result, load_result
from recon.session import Session, load_session
from recon.uncertainty import ErrorModel
from tests.support.ball_worlds import DRAG_PER_M
from tests.support.example_motion import EVENT_TIMES_S
from tests.support.example_rig import example_rig
from tests.support.invented_people import Somebody, stands, walks
from tests.support.played_crew import PlayedCrew, clips_of
from tests.support.serve_series import CONTACT_S, ServeSeries, seen
from tests.support.stamped_video import TICKS, stamped_video
from tests.support.world import three_cameras

pytestmark = pytest.mark.timeout(600)

CAMERAS = three_cameras()
AHEAD_S = {"rear_left": 0.0, "rear_right": 0.1, "side": -0.05}
FPS = 60.0
BALL = KEYPOINTS.index("ball")
RACKET = [KEYPOINTS.index(f"racket_{part}") for part in ("tip", "throat", "butt")]
MET_S = 1.9
RELEASED_S = MET_S - (CONTACT_S - EVENT_TIMES_S["release"])
FIRST_S = 2.4  # before the serve: the toss that is caught


@dataclass(frozen=True)
class Thrown:
    """One invented serve with a ball in air; tossed and caught before it where that is said."""

    twice: bool = False
    met_s: float = MET_S

    def at(self, t_s: Array) -> Array:
        """Positions (T, P, 3). The first toss ends as it began: from its top on, the film runs back."""
        serve = ServeSeries((self.met_s,), vary=0.0)
        x = serve.at(t_s)
        released = self.met_s - (CONTACT_S - EVENT_TIMES_S["release"])
        start, met = serve.at(np.array([released, self.met_s]))[:, BALL]
        dt = self.met_s - released
        velocity = (met - start) / dt + [0, 0, 0.5 * 9.81 * dt]
        flying = (t_s > released) & (t_s <= self.met_s)
        x[flying, BALL] = arc(start, velocity, 9.81, DRAG_PER_M, t_s[flying] - released)[0]
        if self.twice:
            top = released + velocity[2] / 9.81
            first = t_s < self.met_s - CONTACT_S
            then = t_s[first] + FIRST_S
            x[first] = serve.at(np.where(then < top, then, 2 * top - then))
            up = first & (t_s + FIRST_S > released) & (t_s + FIRST_S < 2 * top - released)
            faster = velocity * [1, 1, 1.04]  # so that height does not tell which toss is the serve's
            x[up, BALL] = arc(start, faster, 9.81, DRAG_PER_M, t_s[up] + FIRST_S - released)[0]
        return x


def pixels(thrown: Thrown, span_s: tuple[float, float] = (0.0, 2.5)) -> Tracks2D:
    """What three cameras see of it."""
    cameras = [
        seen(c, thrown, AHEAD_S[c.name], span_s, fps=FPS, sigma_px=1.0, seed=k) for k, c in enumerate(CAMERAS)
    ]
    return Tracks2D(KEYPOINTS, tuple(cameras), "invented")


def without(
    camera: CameraTracks, points: Sequence[int] = range(len(KEYPOINTS)), rows: Array | slice = slice(None)
) -> CameraTracks:
    """The same with some points unseen, in all frames or some."""
    uv, sigma = camera.uv_px.copy(), camera.sigma_px.copy()
    for k in points:
        uv[rows, k], sigma[rows, k] = np.nan, np.nan
    return replace(camera, uv_px=uv, sigma_px=sigma)


def in_camera(tracks: Tracks2D, name: str, change: Callable[[CameraTracks], CameraTracks]) -> Tracks2D:
    """The tracks with one camera's changed."""
    return replace(tracks, cameras=tuple(change(c) if c.camera == name else c for c in tracks.cameras))


def in_all(tracks: Tracks2D, change: Callable[[CameraTracks], CameraTracks]) -> Tracks2D:
    """The tracks with every camera's changed."""
    return replace(tracks, cameras=tuple(map(change, tracks.cameras)))


@pytest.fixture(autouse=True)
def few_draws(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is said is looked at here, not how well u is known."""
    monkeypatch.setattr(joint_centres, "ErrorModel", partial(ErrorModel, draws=20))
    monkeypatch.setattr(evaluate, "MeasureOptions", partial(evaluate.MeasureOptions, draws=20))


def measured(folder: Path, tracks: Tracks2D, hand: str = "right") -> Result:
    """A whole session of these tracks."""
    (folder / "derived").mkdir(parents=True)
    save_rig(folder / "rig.json", example_rig(CAMERAS))
    names = [c.name for c in CAMERAS]
    for name in names:
        stamped_video(folder / f"{name}.mp4", [round(k * TICKS / FPS) for k in range(9)])
    (folder / "session.toml").write_text(
        f'rig = "rig.json"\nathlete = "Invented"\nhandedness = "{hand}"\nheight_m = 1.8\n[video]\n'
        + "".join(f'{name} = "{name}.mp4"\n' for name in names)
        + "[shutter]\n"
        + "".join(f"{name} = {{ readout_ms = 0 }}\n" for name in names),
        encoding="utf-8",
    )
    store.save_tracks(folder / "derived" / "tracks.nc", tracks)
    return measure_kept_tracks(folder)


def said(result: Result, monkeypatch: pytest.MonkeyPatch) -> tuple[str, str, int]:
    """What the command prints and how it ends, and the text of the page, blanks made single."""
    monkeypatch.setattr("recon.pipeline.measure_session", lambda *_: result)
    done = CliRunner().invoke(app, ["measure", str(result.session.folder)])
    page = html.unescape(re.sub(r"<(style|svg).*?</\1>|<[^>]*>", " ", render_report(result), flags=re.DOTALL))
    return " ".join(done.output.split()), " ".join(page.split()), done.exit_code


def value(result: Result, name: str) -> float | None:
    """A measure's value."""
    return result.measures.of(name).value


def want_said(result: Result, sentence: str, monkeypatch: pytest.MonkeyPatch, *, doubtful: bool) -> None:
    """The sentence is kept, printed, and stands on the page before the measures."""
    assert any(sentence in kept for kept in (*result.quality, *result.told)), (result.quality, result.told)
    printed, page, code = said(result, monkeypatch)
    assert f"note: {sentence}" in printed and code == (3 if doubtful else 0)
    assert sentence in page[: page.index("The three headline measures")]


BY_BODY = ("hip_past_baseline_max", "elbow_angle_trophy", "front_knee_flexion_deepest")
BY_RACKET = ("tip_speed_contact", "tip_to_tossing_hand")
BY_BALL = ("toss_apex_height", "toss_drift_forward")


def poster(camera: CameraTracks) -> CameraTracks:
    """Somebody who never moves: what a camera sees that was turned to a wall with a picture."""
    rng = np.random.default_rng(5)
    uv = np.broadcast_to(camera.uv_px[:1], camera.uv_px.shape) + rng.normal(0, 0.2, camera.uv_px.shape)
    return replace(camera, uv_px=uv, sigma_px=np.where(np.isnan(uv[..., 0]), np.nan, 1.0))


def after_start(camera: CameraTracks) -> CameraTracks:
    """A camera that stopped as the hand went up."""
    return without(camera, rows=camera.t_cam_s + AHEAD_S[camera.camera] > RELEASED_S)


BLINDED = {
    "black": (without, "camera side: nothing seen in 100% of its frames; measured without this camera"),
    "turned away": (poster, "camera side: its clip agrees with no other at any time, while the others agree"),
    "stopped": (after_start, "camera side did not see the player from 1.1"),
}


@pytest.mark.parametrize("how", BLINDED)
def test_one_camera_blinded(tmp_path: Path, how: str, monkeypatch: pytest.MonkeyPatch) -> None:
    blinded, sentence = BLINDED[how]
    result = measured(tmp_path / "s", in_camera(pixels(Thrown()), "side", blinded))
    want_said(result, sentence, monkeypatch, doubtful=True)
    left = ["rear_left", "rear_right"] + (["side"] if how == "stopped" else [])
    assert [c.camera for c in result.tracks.cameras] == left
    for name in (*BY_BODY, *BY_RACKET, *BY_BALL):
        assert value(result, name) is not None, name
    assert result.events.time("contact") == pytest.approx(MET_S, abs=0.03)


def on_the_skirt(camera: CameraTracks) -> CameraTracks:
    """No tape, but cloth of the tip's colour at the hip."""
    bare = without(camera, RACKET)
    uv, sigma = bare.uv_px.copy(), bare.sigma_px.copy()
    tip, hip = KEYPOINTS.index("racket_tip"), KEYPOINTS.index("right_hip")
    uv[:, tip], sigma[:, tip] = uv[:, hip], sigma[:, hip]
    return replace(bare, uv_px=uv, sigma_px=sigma)


def test_a_racket_without_tape(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """And in a skirt of the tape's colour."""
    result = measured(tmp_path / "s", in_all(pixels(Thrown()), on_the_skirt))
    skirt = "what has the colour of the tape at the racket tip does not move with a hand"
    want_said(result, skirt, monkeypatch, doubtful=True)
    sentence = "no two cameras found the racket's tape at any time: the racket is not measured, all else is"
    want_said(result, sentence, monkeypatch, doubtful=True)
    for name in BY_RACKET:
        assert value(result, name) is None and "racket" in result.measures.of(name).reason
    for name in (*BY_BODY, *BY_BALL):
        assert value(result, name) is not None, name
    assert result.events.time("contact") == pytest.approx(MET_S, abs=0.03)


def test_a_ball_thrown_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The struck ball was not seen: nothing but the toss itself says which it is."""
    thrown = Thrown(twice=True, met_s=MET_S + FIRST_S)
    released = RELEASED_S + FIRST_S

    def until_met(camera: CameraTracks) -> CameraTracks:
        return without(camera, [BALL], camera.t_cam_s + AHEAD_S[camera.camera] > thrown.met_s)

    tracks = in_all(pixels(thrown, (0.3, 2.5 + FIRST_S)), until_met)
    result = measured(tmp_path / "s", tracks)
    want_said(result, "the ball was tossed and caught at 2.", monkeypatch, doubtful=False)
    assert f"the serve is measured from the toss at {released:.1f} s" in result.told[-1]
    assert result.events.time("release") == pytest.approx(released, abs=0.2)
    assert result.events.time("start") > RELEASED_S + 0.5
    assert result.events.time("contact") == pytest.approx(thrown.met_s, abs=0.03)
    for name in (*BY_BODY, *BY_RACKET, *BY_BALL):
        assert value(result, name) is not None, name


def test_a_ball_thrown_twice_of_which_only_the_caught_one_was_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """That throw tells nothing of the serve: its release would be stated surely, and be 2.4 s off."""
    thrown = Thrown(twice=True, met_s=MET_S + FIRST_S)

    def until_caught(camera: CameraTracks) -> CameraTracks:
        return without(camera, [BALL], camera.t_cam_s + AHEAD_S[camera.camera] > MET_S + 0.9)

    result = measured(tmp_path / "s", in_all(pixels(thrown, (0.3, 2.5 + FIRST_S)), until_caught))
    want_said(result, "without the ball: what flew freely from 1.", monkeypatch, doubtful=False)
    assert "that was another throw, and the ball that was hit was not seen" in result.told[-1]
    assert result.flight is None
    release = result.events.of("release")
    assert release.t_s == pytest.approx(RELEASED_S + FIRST_S, abs=0.2) and release.u_s >= 0.05
    for name in BY_BALL:
        assert value(result, name) is None
    for name in (*BY_BODY, *BY_RACKET):
        assert value(result, name) is not None, name


def flexion_at_contact(side: str) -> float:
    """By how much an elbow is bent, in truth, radians."""
    x = Thrown().at(np.array([MET_S]))[0]
    shoulder, elbow, wrist = (x[KEYPOINTS.index(f"{side}_{part}")] for part in ("shoulder", "elbow", "wrist"))
    upper, lower = elbow - shoulder, wrist - elbow
    return float(np.arccos(upper @ lower / np.linalg.norm(upper) / np.linalg.norm(lower)))


def test_a_right_hander_marked_left_handed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    result = measured(tmp_path / "s", pixels(Thrown()), hand="left")
    how = "the racket is in the right hand: this serve was measured as right-handed"
    sentence = f"the session says left-handed, but {how}"
    want_said(result, sentence, monkeypatch, doubtful=True)
    assert "Invented , right-handed" in said(result, monkeypatch)[1]
    assert load_session(result.session.folder).file.handedness == "left"  # what the user wrote stays
    assert load_result(result.session.folder).session.file.handedness == "right"
    right, left = (flexion_at_contact(side) for side in ("right", "left"))
    bent = value(result, "elbow_flexion_contact")
    assert abs(bent - right) < 0.5 * abs(bent - left)  # 15° and 123°: the arm that hits is nearly straight
    for name in (*BY_BODY, *BY_BALL):
        assert value(result, name) is not None, name


class FoundInvented(Found):
    """What was found in the clips, given."""

    def tracks(self) -> Tracks2D:
        """No video is opened for its size."""
        sized = {c.name: (c.size_px, self.clips[c.name]) for c in CAMERAS}
        return tracks_from_clips(sized, "invented", "quick")


def as_clip(camera: CameraTracks) -> ClipTracks:
    """A camera's pixels as they come out of its clip."""
    edges = len(SOUGHT) - len(KEYPOINTS)
    uv = np.pad(camera.uv_px, ((0, 0), (0, edges), (0, 0)), constant_values=np.nan)
    sigma = np.pad(camera.sigma_px, ((0, 0), (0, edges)), constant_values=np.nan)[:, len(BODY) :]
    seen = np.where(np.isnan(uv[:, : len(BODY), 0]), np.nan, 1.0)
    balls = np.full((len(uv), *NO_BALLS.shape), np.nan)
    balls[:, 0, :2], balls[:, 0, 2] = camera.uv_px[:, BALL], camera.sigma_px[:, BALL]
    balls[~np.isnan(balls[:, 0, 0]), 0, 3:] = (9.0, 0.8)  # pixels across, likeness of colour
    return ClipTracks(camera.t_cam_s, uv, seen, sigma, np.full(seen.shape, np.nan), balls)


def test_two_people_in_the_picture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A second player stands at the line throughout, and a camera goes along with a third, who passes by."""
    server = Somebody(stands(0.1, -0.3), 1.8, hand_up_s=(1.0, 2.0))
    passer_by = Somebody(walks((-4.0, -2.2), (4.0, -2.2), 2.5), 1.7)
    crew = PlayedCrew([Somebody(stands(-1.6, -0.4), 1.75), server], AHEAD_S)

    def along_with_another(camera: CameraTracks) -> CameraTracks:
        uv, rig_s = camera.uv_px.copy(), camera.t_cam_s + AHEAD_S[camera.camera]
        calibrated = next(c for c in CAMERAS if c.name == camera.camera)
        for k in np.flatnonzero((rig_s > 1.0) & (rig_s < 1.5)):
            uv[k, : len(BODY)] = calibrated.project(passer_by.body_m(rig_s[k]))
        return replace(camera, uv_px=uv)

    def checked(session: Session, cameras: Sequence[Camera], tracks: Tracks2D) -> second_look.Checked:
        read = clips_of(cameras)
        _, who = whom_to_follow(session, read, dict.fromkeys(read, "key"), crew)  # type: ignore[arg-type]
        found = FoundInvented(read, {c.camera: as_clip(c) for c in tracks.cameras}, who)
        return second_look.with_second_look(session, cameras, found, PipelineOptions(), silent)

    monkeypatch.setattr(run, "person_flags", checked)
    monkeypatch.setattr(second_look, "look_again_at", lambda *_: {})  # nor is the server found there again
    result = measured(tmp_path / "s", in_camera(pixels(Thrown()), "side", along_with_another))
    want_said(result, "2 people in view; the server, at x 0.1 m, y -0.3 m", monkeypatch, doubtful=True)
    want_said(result, "camera side followed somebody else, 1.0", monkeypatch, doubtful=True)
    want_said(result, "camera side followed somebody else than the other cameras", monkeypatch, doubtful=True)
    for name in (*BY_BODY, *BY_RACKET, *BY_BALL):
        assert value(result, name) is not None, name
    hips = result.motion.xyz_m[:, [BODY.index("left_hip"), BODY.index("right_hip")]].mean(axis=1)
    true = Thrown().at(result.motion.t_s)[:, [BODY.index("left_hip"), BODY.index("right_hip")]].mean(axis=1)
    assert np.nanmax(np.linalg.norm(hips - true, axis=1)) < 0.15
