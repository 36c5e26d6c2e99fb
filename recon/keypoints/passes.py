"""How often, and on which crops, the pose model looks at one frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput
from recon.keypoints.pace import PassOver
from recon.keypoints.pose import Image, Pose, PoseReader, Window
from recon.records import BODY, other_side


@dataclass(frozen=True, kw_only=True, slots=True)
class Look:
    """One pass of the model: the window shifted by shares of its side, its side scaled, mirrored or not."""

    right: float = 0.0
    down: float = 0.0
    scale: float = 1.0
    mirrored: bool = False

    def window(self, w: Window) -> Window:
        """The window of this pass, from the one around the player."""
        return Window(
            w.u_px + self.right * w.side_px, w.v_px + self.down * w.side_px, self.scale * w.side_px
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class Mode:
    """How a serve is read.

    first       passes that every frame gets which is looked at
    more        passes for frames whose first ones disagree
    disagree    by this share of the player's height (root mean square over the points)
    onward      the first passes follow the player from look to look (PoseReader.read)
    pass_over   which frames need no look
    """

    name: str
    first: tuple[Look, ...]
    more: tuple[Look, ...] = ()
    disagree: float = 0.004
    onward: bool = False
    pass_over: PassOver = field(default_factory=PassOver)


MODES: Mapping[str, Mode] = MappingProxyType(
    {
        m.name: m
        for m in (
            Mode(name="quick", first=(Look(),), onward=True, pass_over=PassOver(gap_s=0.025)),
            Mode(
                name="full",
                first=(Look(), Look(mirrored=True)),
                more=(
                    Look(right=0.03, down=-0.03, scale=1.1), Look(right=-0.03, down=0.03, scale=0.92),
                    Look(scale=1.1, mirrored=True), Look(scale=0.92, mirrored=True),
                ),
            ),
        )
    }
)  # fmt: skip
"""quick: between two serves, at least 40 looks a second and one at every frame of a quick movement; full: as
many passes as pay, for reports and studies. The model is biased by where the player stands in its crop and by
his side; passes that differ in both average some of that out, and show by their spread where it is large."""


def mode_of(name: str) -> Mode:
    """A mode by its name. Raises BadInput for an unknown one."""
    if name not in MODES:
        raise BadInput(f"mode: want one of {', '.join(MODES)}, got {name!r}")
    return MODES[name]


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What all passes of one frame say together.

    uv_px (27, 2) median over the passes, visibility (27,) likewise; spread_px (27,) standard deviation of a
    pass per axis, NaN where there was one pass only.
    """

    uv_px: Array
    visibility: Array
    spread_px: Array


NOBODY = Seen(np.full((len(BODY), 2), np.nan), np.full(len(BODY), np.nan), np.full(len(BODY), np.nan))
"""What a frame says that shows nobody."""


def look_at(reader: PoseReader, image_bgr: Image, window: Window, mode: Mode) -> Seen | None:
    """The person in a window, by as many passes as the mode and the passes' own agreement ask for.

    None where the first pass sees nobody; later passes that see nobody do not count.
    """
    onward = mode.onward
    poses = [p for look in mode.first if (p := _pass(reader, image_bgr, window, look, onward)) is not None]
    if not poses:
        return None
    together = _together(poses)
    height = float(np.ptp(together.uv_px[:, 1]))
    if mode.more and _unsure(together, height) > mode.disagree:
        poses += [p for look in mode.more if (p := _pass(reader, image_bgr, window, look)) is not None]
        together = _together(poses)
    return together


def _pass(
    reader: PoseReader, image_bgr: Image, window: Window, look: Look, onward: bool = False
) -> Pose | None:
    pose = reader.read(image_bgr, look.window(window), mirrored=look.mirrored, onward=onward)
    return pose if pose is None or not look.mirrored else Pose(pose.uv_px[_OTHER], pose.visibility[_OTHER])


_OTHER = np.array([BODY.index(other_side(name)) for name in BODY])
"""Row of each point's counterpart on the other side: a mirrored picture exchanges left and right."""


def _unsure(seen: Seen, height_px: float) -> float:
    spread = np.sqrt(np.nanmean(seen.spread_px**2)) if not np.isnan(seen.spread_px).all() else np.inf
    return float(spread) / max(height_px, 1.0)


def _together(poses: list[Pose]) -> Seen:
    uv = np.stack([p.uv_px for p in poses])
    middle = np.median(uv, axis=0)
    if len(poses) == 1:
        spread = np.full(len(middle), np.nan)
    else:
        spread = np.sqrt((uv - uv.mean(axis=0)).var(axis=0, ddof=1).mean(axis=1))
    return Seen(middle, np.median([p.visibility for p in poses], axis=0), spread)
