"""Where to hold the board next: the places that lower the projection's uncertainty most, in plain words."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.board import Board
from calibration.checks import Array
from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid
from calibration.guide.coverage import corners_per_field
from calibration.guide.rough_lens import ProjectionSpread, RoughLens, inverse, view_information

_ACROSS = ((0.0, "left"), (0.5, ""), (1.0, "right"))
_DOWN = ((0.0, "upper"), (0.5, ""), (1.0, "lower"))
_HEIGHTS = (
    (0.75, "come close: the board three quarters of the picture's height"),
    (0.5, "the board half the picture's height"),
    (0.3, "step back: the board a third of the picture's height"),
)
_TILT_RAD = np.deg2rad(35.0)  # 30 to 45 degrees fix the focal length; beyond, corners blur on a real board
_TILTS = (
    ((0.0, 0.0), "flat to the camera"),
    ((-1.0, 0.0), "its top tilted away from the camera"),
    ((1.0, 0.0), "its top tilted toward the camera"),
    ((0.0, 1.0), "the side at the picture's left tilted away"),
    ((0.0, -1.0), "the side at the picture's right tilted away"),
)
MODEL_SIGMA_PX = 0.5
"""What a lens model may be off by where no corner tests it: half of what lens.py flags as a bad fit."""

_EDGE = 0.02  # of the picture: the outer squares stay that far inside it
_SMALLEST = 0.7  # a board that must shrink to below this share of the wanted height is another suggestion
_OUTLINE_SQUARES = 1.0  # the outline runs this far outside the inner corners: the pattern's own edge


@dataclass(frozen=True, slots=True, eq=False)
class Suggestion:
    """A place to hold the board, best first among several.

    where, tilt, size  the place in words, for the person who holds it
    outline_px    (4, 2) the pattern's corners in the picture; corners_px (N, 2) its inner corners
    gain          share by which the view lowers the mean variance over the picture: of the projection as
                  predicted and, in fields that no corner has reached, of what the lens model may lack
    worst_u_px    the projection's worst standard uncertainty in the picture after this view and those before it
    """

    where: str
    tilt: str
    size: str
    outline_px: Array
    corners_px: Array
    gain: float
    worst_u_px: float

    @property
    def place_words(self) -> tuple[str, str, str]:
        """where, tilt, size."""
        return self.where, self.tilt, self.size

    @property
    def words(self) -> str:
        """All of it in one line."""
        return f"{self.where}, {self.tilt}; {self.size}"


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """A place for the board: where, tilt and size in words, its pose, and the pattern's corners (4, 2) px."""

    words: tuple[str, str, str]
    cam_from_board: Rigid
    outline_px: Array


def next_views(
    lens: RoughLens,
    board: Board,
    reached: NDArray[np.bool_],
    count: int,
    done: Callable[[Rigid], bool] = lambda cam_from_board: False,
) -> tuple[Suggestion, ...]:
    """The `count` best places to hold the board, chosen one after the other, no two with the same words.

    reached: the fields of the picture (rows, columns of coverage.GRID) in which corners were seen. A field
    where none was rests on the lens model alone and counts as uncertain by what a model may lack.
    done: places that would be taken for one seen before. Empty where the board fits nowhere else.
    """
    places = [p for p in candidate_places(lens.camera, board) if not done(p.cam_from_board)]
    if not places:
        return ()
    points, spread = board.points_m(), ProjectionSpread(lens.camera)
    placed = [lens.camera.placed(p.cam_from_board) for p in places]
    told = np.array([view_information(c, points, lens.sigma_px) for c in placed])
    corners = [c.project(points) for c in placed]
    fields = np.array([corners_per_field(c, lens.camera.size_px) > 0 for c in corners])
    out: list[Suggestion] = []
    information, left = lens.information, list(range(len(places)))
    while left and len(out) < count:
        now = _unsure_px2(spread, information, reached)
        after = _unsure_px2(spread, information + told[left], reached | fields[left])
        best = left[int(np.argmin(after))]
        information, reached = information + told[best], reached | fields[best]
        worst = spread.worst_u_px(inverse(information))
        gain = 1 - float(after.min()) / float(now)
        out.append(Suggestion(*places[best].words, places[best].outline_px, corners[best], gain, worst))
        left = [k for k in left if places[k].words != places[best].words]
    return tuple(out)


def _unsure_px2(spread: ProjectionSpread, information: Array, reached: NDArray[np.bool_]) -> Array:
    """Mean over the picture of the projection's variance and, in fields not reached, the model's; any batch."""
    unseen = 1 - reached.mean(axis=(-2, -1))
    variance = spread.mean_variance_px2(inverse(information))
    return np.asarray(variance + MODEL_SIGMA_PX**2 * unseen)


def candidate_places(camera: Camera, board: Board) -> list[Place]:
    """Board places in all nine fields of the picture, at three sizes and five tilts, wholly inside it."""
    out = []
    for down, down_words in _DOWN:
        for across, across_words in _ACROSS:
            where = _field_words(across_words, down_words)
            for height, height_words in _HEIGHTS:
                for (about_x, about_y), tilt_words in _TILTS:
                    turn = np.array([about_x, about_y, 0.0]) * _TILT_RAD
                    fitted = _fitted(camera, board, (across, down), height, turn)
                    if fitted is not None:
                        out.append(Place((where, tilt_words, height_words), *fitted))
    return out


def outline_m(board: Board) -> Array:
    """(4, 3) the pattern's four outer corners in the board frame."""
    s, out = board.square_m, _OUTLINE_SQUARES
    low, right, bottom = -out * s, (board.columns - 1 + out) * s, (board.rows - 1 + out) * s
    return np.array([[low, low, 0], [right, low, 0], [right, bottom, 0], [low, bottom, 0.0]])


def _field_words(across: str, down: str) -> str:
    if across and down:
        return f"{down} {across} corner of the picture"
    if across or down:
        return f"{down or across} edge of the picture"
    return "middle of the picture"


def _fitted(
    camera: Camera, board: Board, at: tuple[float, float], height: float, turn: Array
) -> tuple[Rigid, Array] | None:
    """The board moved toward a field of the picture until its outline just stays inside; None if it cannot."""
    size = np.array(camera.size_px, dtype=float)
    low, high = _EDGE * size, (1 - _EDGE) * size - 1
    R = Rigid.from_rotvec(turn, np.zeros(3), "cam", "board").R
    tall_m = (board.rows + 1) * board.square_m
    depth, smallest = tall_m * camera.K_px[1, 1] / (height * size[1]), height * _SMALLEST
    target = np.array(at) * (size - 1)
    for _ in range(8):
        pose = _pose_at(camera, board, R, target, depth)
        if pose is None or tall_m * camera.K_px[1, 1] / (depth * size[1]) < smallest:
            return None
        outline = camera.placed(pose).project(outline_m(board))
        if not np.isfinite(outline).all():
            return None
        under, over = np.maximum(low - outline.min(axis=0), 0), np.maximum(outline.max(axis=0) - high, 0)
        if max(under.max(), over.max()) < 1.0:
            return (pose, outline) if within_reach(camera, pose.apply(outline_m(board)), outline) else None
        spans = (outline.max(axis=0) - outline.min(axis=0)) / (high - low)
        if spans.max() > 1:
            depth *= float(spans.max()) * 1.01
        target = target + under - over
    return None


def within_reach(camera: Camera, x_cam_m: Array, uv_px: Array) -> bool:
    """Whether a lens known from few views maps these points one to one: beyond its reach pictures fold over."""
    back = camera.normalised(uv_px)
    return bool(np.allclose(back, x_cam_m[:, :2] / x_cam_m[:, 2:], atol=1e-4))  # False for NaN, too


def _pose_at(camera: Camera, board: Board, R: Array, target_px: Array, depth_m: float) -> Rigid | None:
    n = camera.normalised(np.clip(target_px, 0, np.array(camera.size_px) - 1.0))
    if not np.isfinite(n).all():
        return None
    centre = np.array([*n, 1.0]) * depth_m
    return Rigid(R, centre - R @ board.centre_m(), f"cam_{camera.name}", "board")


def worst_u_now_px(lens: RoughLens) -> float:
    """The projection's worst standard uncertainty in the picture with the views so far, px."""
    return ProjectionSpread(lens.camera).worst_u_px(inverse(lens.information))
