"""The contact's sound in a rendered serve's own video files tells its clocks, in the sigmas stated.

The sound is INVENTED: the bang at the true time, later by its way to each camera, in the ringing, echoes and
noise of a court. Points, contact and place are those that the program found in the pictures.
"""

from __future__ import annotations

import numpy as np
import pytest

from recon.pipeline.clock_sources import heard_contact, with_other_sources
from recon.result import load_result
from recon.session import load_session
from tests.support.sounded import Hearing, sounded_session, true_offset_s

pytestmark = pytest.mark.timeout(900)

HEARINGS = (Hearing(), Hearing(rate_hz=44100), Hearing(rate_hz=44100, codec="pcm_s16le", ending="mov"))


def test_sound_tells_the_offsets_of_rendered_videos(measured_serve, tmp_path) -> None:
    measured = load_result(measured_serve.session)
    serve, cameras = measured.session.folder.name, measured.rig.cameras
    sigmas = []
    for seed, hearing in enumerate(HEARINGS):
        folder = tmp_path / str(seed)
        rng = np.random.default_rng([seed, 9])
        sounded_session(folder, measured_serve.session, measured_serve.truth, hearing, rng, 0.3)
        session = load_session(folder)
        said = heard_contact(session, cameras, measured.tracks, measured.clocks)
        assert said.cameras == tuple(c.name for c in cameras)  # none was missed
        true = np.array([true_offset_s(serve, name, said.cameras[0]) for name in said.cameras[1:]])
        off = said.t_cam_s[0] - said.t_cam_s[1:] - true
        C = said.covariance
        u = np.sqrt(C[0, 0] + np.diag(C)[1:] - 2 * C[0, 1:])
        assert u.max() < 2e-3 and np.abs(off).max() < 3e-3
        sigmas.append(off / u)
        clocks, notes = with_other_sources(session, cameras, measured.tracks, measured.clocks)
        assert notes.trouble == () and clocks.of("side").source == "motion, sound"
    assert np.abs(sigmas).max() < 3


def test_a_device_whose_sound_lags_more_than_told_is_named(measured_serve, tmp_path) -> None:
    measured = load_result(measured_serve.session)
    rng = np.random.default_rng(4)
    folder = tmp_path / "late"
    sounded_session(folder, measured_serve.session, measured_serve.truth, Hearing(), rng, 0.3)
    text = (folder / "session.toml").read_text(encoding="utf-8")
    (folder / "session.toml").write_text(
        text.replace("side = { u_ms = 0.3 }", "side = { u_ms = 0.3, skew_ms = 12.0 }"), encoding="utf-8"
    )
    session = load_session(folder)
    clocks, notes = with_other_sources(session, measured.rig.cameras, measured.tracks, measured.clocks)
    assert "camera side" in notes.trouble[0] and "left out" in notes.trouble[0]
    assert clocks.of("side").offset_s == measured.clocks.of("side").offset_s
