"""Several looks at one frame: what they say together, and when more are taken."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest

from calibration.errors import BadInput
from recon.keypoints import MODES, mode_of
from recon.keypoints.passes import Look, Mode, look_at
from recon.keypoints.pose import Image, Pose, Window
from recon.records import BODY

PICTURE = np.zeros((720, 1280, 3), np.uint8)
AROUND = Window(600.0, 400.0, 500.0)
TRUE = np.random.default_rng(0).uniform(200, 500, (len(BODY), 2)) + [200, 0]


@dataclass
class PlayedReader:
    """Sees TRUE, moved by a share of how far the window's middle is off, and by noise for each pass.

    A mirrored picture makes it call left right.
    """

    drawn: float = 0.0
    noise_px: float = 0.0
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(1))
    windows: list[Window] = field(default_factory=list)
    blind_after: int = 99

    def read(
        self, image: Image, window: Window, *, mirrored: bool = False, onward: bool = False
    ) -> Pose | None:
        self.windows.append(window)
        if len(self.windows) > self.blind_after:
            return None
        off = self.drawn * np.array([window.u_px - AROUND.u_px, window.v_px - AROUND.v_px])
        uv = TRUE + off + self.rng.normal(0, self.noise_px, TRUE.shape)
        if mirrored:
            uv = uv[[other(name) for name in BODY]]
        return Pose(uv, np.ones(len(BODY)))


def other(name: str) -> int:
    swapped = name.replace("left", "?").replace("right", "left").replace("?", "right")
    return BODY.index(swapped)


def test_quick_looks_once_and_knows_no_spread() -> None:
    reader = PlayedReader()
    seen = look_at(reader, PICTURE, AROUND, mode_of("quick"))
    assert seen is not None and reader.windows == [AROUND]
    np.testing.assert_array_equal(seen.uv_px, TRUE)
    assert np.isnan(seen.spread_px).all()


def test_no_mode_for_between_serves_looks_more_than_twice() -> None:
    assert len(MODES["quick"].first) + len(MODES["quick"].more) <= 2


def test_a_mirrored_look_gives_every_point_its_own_side_back() -> None:
    mode = Mode(name="x", first=(Look(mirrored=True),))
    seen = look_at(PlayedReader(), PICTURE, AROUND, mode)
    assert seen is not None
    np.testing.assert_array_equal(seen.uv_px, TRUE)


def test_looks_that_agree_are_enough_and_looks_that_do_not_bring_more() -> None:
    calm, restless = PlayedReader(noise_px=0.1), PlayedReader(noise_px=6.0)
    for reader, count in ((calm, 2), (restless, 6)):
        look_at(reader, PICTURE, AROUND, mode_of("full"))
        assert len(reader.windows) == count


def test_spread_is_the_standard_deviation_of_a_pass_per_axis() -> None:
    spreads = []
    for seed in range(40):
        reader = PlayedReader(noise_px=6.0, rng=np.random.default_rng(seed))
        seen = look_at(reader, PICTURE, AROUND, mode_of("full"))
        assert seen is not None
        spreads.append(seen.spread_px)
    assert np.sqrt(np.mean(np.square(spreads))) == pytest.approx(6.0, rel=0.03)


def test_a_model_drawn_to_the_middle_of_its_crop_is_evened_out() -> None:
    """The shifts of all passes add up to none."""
    seen = look_at(PlayedReader(drawn=0.5), PICTURE, AROUND, mode_of("full"))
    assert seen is not None
    assert np.abs(seen.uv_px - TRUE).max() < 0.5 * 0.03 * AROUND.side_px / 2


def test_a_later_pass_that_sees_nobody_does_not_count_and_a_first_one_does() -> None:
    seen = look_at(PlayedReader(blind_after=1), PICTURE, AROUND, mode_of("full"))
    assert seen is not None
    np.testing.assert_array_equal(seen.uv_px, TRUE)
    assert look_at(PlayedReader(blind_after=0), PICTURE, AROUND, mode_of("full")) is None


def test_an_unknown_mode_is_refused() -> None:
    with pytest.raises(BadInput, match="want one of quick, full"):
        mode_of("slow")
