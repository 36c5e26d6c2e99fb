"""A flash of light by the clocks of cameras with rolling and global shutters, in the sigmas that are stated."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from calibration.errors import BadInput, NotMeasurable
from recon.pipeline.clock_sources import with_other_sources
from recon.records import Clock, Clocks, Shutter, Tracks2D
from recon.session import load_session
from recon.sync import with_shutters
from recon.sync.flash import Brightness, flash_time, instant_flashed
from tests.support.board_pictures import write_video

BANDS = 96
SHARE = (np.arange(BANDS) + 0.5) / BANDS - 0.5
FLASH_S = 0.001


def lit_share(row_t_s: np.ndarray, exposure_s: float, at_s: float) -> np.ndarray:
    """How much of the flash falls into the exposure around row_t_s."""
    begin = np.maximum(row_t_s - exposure_s / 2, at_s - FLASH_S / 2)
    return np.clip(np.minimum(row_t_s + exposure_s / 2, at_s + FLASH_S / 2) - begin, 0, None) / FLASH_S


def filmed(
    at_s: float, fps: float, readout_s: float, exposure_s: float, rng: np.random.Generator
) -> Brightness:
    """Half a second, first picture at 3 s; a scene of dark and bright stripes, noise of half a grey level."""
    t = 3.0 + np.arange(0, 0.5, 1 / fps)
    lit = lit_share(t[:, None] + readout_s * SHARE, exposure_s, at_s)
    scene = 60 + 40 * np.sin(np.arange(BANDS) / 9)
    bands = scene * (1 + 0.8 * lit) + 0.5 * rng.standard_normal(lit.shape)
    return Brightness("a", t, bands, SHARE, readout_s, 0.0)


@pytest.mark.parametrize(
    ("fps", "readout_s", "exposure_s", "most_s"),
    [(120, 0.008, 0.001, 1e-4), (120, 0.008, 0.003, 1e-4), (240, 0.004, 0.001, 1e-4), (120, 0.004, 0.002, 1e-3),
     (60, 0.012, 0.004, 1e-3), (120, 0.0, 0.008, 3e-3)],
)  # fmt: skip
def test_a_flash_in_sigmas(fps: float, readout_s: float, exposure_s: float, most_s: float) -> None:
    """Rows resolve it; where it may fall between two pictures, the gap between them is left open."""
    off = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        at = 3.0 + rng.uniform(0.2, 0.3)
        try:
            t, u = flash_time(filmed(at, fps, readout_s, exposure_s, rng))
        except NotMeasurable:
            continue  # no row was open
        off.append(((t - at) / u, t - at))
    sigmas, errors = np.array(off).T
    assert len(off) >= 40
    assert np.sqrt(np.mean(sigmas**2)) < 1.25 and np.abs(sigmas).max() < 3.5
    assert np.sqrt(np.mean(errors**2)) < most_s


def test_a_readout_not_known_counts_away_from_the_middle() -> None:
    rng = np.random.default_rng(1)
    middle, edge = (filmed(3.25 + by, 120, 0.008, 0.001, rng) for by in (0.0, 0.003))
    for seen, wanted in ((middle, 0.0), (edge, 0.003 / 0.008 * 0.001)):
        _, sure = flash_time(seen)
        _, u = flash_time(Brightness("a", seen.t_cam_s, seen.bands, SHARE, 0.008, 0.001))
        assert np.sqrt(u**2 - sure**2) == pytest.approx(wanted, abs=2e-5)


def _none(seen: Brightness) -> np.ndarray:
    return np.full(seen.bands.shape, 60.0) + np.random.default_rng(2).normal(0, 0.5, seen.bands.shape)


def _stays(seen: Brightness) -> np.ndarray:
    return _none(seen) + 50.0 * (np.arange(len(seen.bands)) > 30)[:, None]


@pytest.mark.parametrize(("change", "wanted"), [(_none, "no flash"), (_stays, "stays on")])
def test_what_is_no_flash_is_said_by_camera(change: Callable[[Brightness], np.ndarray], wanted: str) -> None:
    seen = filmed(3.2, 120, 0.008, 0.002, np.random.default_rng(0))
    dull = Brightness("b", seen.t_cam_s, change(seen), SHARE, 0.008, 0.0)
    with pytest.raises(NotMeasurable, match=f"b: .*{wanted}"):
        instant_flashed([seen, dull])
    with pytest.raises(BadInput, match="8 pictures"):
        Brightness("a", np.arange(3.0), np.ones((3, BANDS)), SHARE, 0.008, 0.0)


def test_a_filmed_flash_mends_the_clocks(tmp_path: Path) -> None:
    """Two videos, one read from the top and one, turned, from the left; the flash comes at 0.3123 s."""
    true, readout_s, fps, at_s = {"a": 0.0, "b": -0.0457}, 0.008, 120, 0.3123
    for name, turn in (("a", None), ("b", 90)):
        row_t = np.arange(72)[:, None] / fps + readout_s * ((np.arange(192) + 0.5) / 192 - 0.5)
        lit = lit_share(row_t + true[name], 0.001, at_s)
        pictures = [
            np.repeat(np.clip(70 + 120 * rows, 0, 255).astype(np.uint8)[:, None], 128, axis=1) for rows in lit
        ]
        write_video(tmp_path / f"{name}.mp4", pictures, fps, turn_degrees=turn)
    (tmp_path / "session.toml").write_text(
        'rig = "r"\nhandedness = "right"\nflash = true\n[video]\na = "a.mp4"\nb = "b.mp4"\n', encoding="utf-8"
    )
    start = Clocks("a", (Clock("a", 0.0, 0.0), Clock("b", -0.0462, 0.0006)))
    start = with_shutters(start, {"a": Shutter(readout_s, 0.0), "b": Shutter(readout_s, 0.0, "left")})
    found, notes = with_other_sources(load_session(tmp_path), (), Tracks2D((), (), "none"), start)
    b = found.of("b")
    assert b.source == "motion, flash" and notes.trouble == ()
    assert abs(b.offset_s - true["b"]) < 3 * b.u_s < 4e-4
