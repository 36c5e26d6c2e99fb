"""One camera's running judge of board footage: takes pictures one at a time, says what each is worth."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from calibration.board import Board
from calibration.checks import Array
from calibration.errors import BadInput
from calibration.footage import Image
from calibration.geometry.rigid import Rigid
from calibration.guide.coverage import Coverage, size_and_tilt
from calibration.guide.finder import BoardFinder, Find, PartlyOutside, Rise, part_at_border
from calibration.guide.plan import Suggestion, next_views, worst_u_now_px
from calibration.guide.rough_lens import PlaneView, RoughLens, board_pose, fit_rough_lens
from calibration.lens import LEAST_VIEWS

_BLUR_RATIO = 1.7  # as in lens.py: edges wider than this times the sharp ones are blurred
_SHARPER = (
    0.1  # quantile that stands for sharp: lower than lens.py's quarter, which a shaky beginning would fill
)
_SHARP_RISE_PX = (1.5, 3.0)  # a sharp picture's edges (board.py); the reference never leaves this
_RISES_KEPT = 200
_READOUT_S = 0.02  # a rolling shutter's time from top to bottom, a usual one (8 to 30 ms, from memory)
_MOST_SHEAR_PX = 1.0  # the board may move by this while it is read out: lens.py flags residuals above 1 px
_SLOW_PX_S = 15.0  # never faster than a hand's tremor
_OUT_OF_FOCUS = 10  # slow pictures in a row that are all blurred: it is the camera, not the hand
_GONE_S = 1.5  # after such a gap, two pictures say nothing about speed
_SAME_PLACE = 0.08  # of the picture's sides
_SAME_SIZE = 0.15  # natural logarithm
_SAME_TILT_RAD = np.deg2rad(12.0)
_STILL_SHARE = 0.005  # of the board's own diagonal: below it, a board has not been moved
_MOST_KEPT = 80  # twice what lens.py uses; keeps time and memory bounded
_SUGGESTIONS = 4
_LEAST_GAIN = 0.1  # of the mean variance, 5 % of the uncertainty: less is not worth another view
_LEAST_COVERAGE = 0.6  # as lens.py flags
MOST_U_PX = 1.0  # a worst uncertainty above the usual residual is not enough, however slowly it falls


class Verdict(StrEnum):
    """What became of one picture."""

    ACCEPTED = "accepted"
    BLURRED = "blurred"
    MOVING = "moving too fast"
    DUPLICATE = "like an earlier one"
    OUTSIDE = "partly outside"
    NOT_FOUND = "no board found"
    FIRST = "just come into view"


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """One picture's verdict. corners_px None where no board was found; rise and speed NaN where not known."""

    t_s: float
    verdict: Verdict
    corners_px: Array | None = None
    ids: NDArray[np.int_] | None = None
    rise_px: float = float("nan")
    speed_px_s: float = float("nan")


@dataclass(frozen=True, slots=True, eq=False)
class KeptView:
    """An accepted view: when, its corners, its place (x, y as shares of the picture, log size) and normal."""

    t_s: float
    seen: PlaneView
    place: Array
    normal: Array
    speed_px_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """How far one camera's footage has come.

    counts       verdict → number of pictures
    missing      where to hold the board next, best first
    worst_u_px   the projection's worst standard uncertainty in the picture now, predicted; None before a view
    sigma_px     of one corner's coordinate, as the views fit one lens
    enough       whether further views would hardly help; why says what stands against it, or "" if nothing
    stuck        further views would hardly help, and yet it is not enough
    out_of_focus the board is slow and blurred in picture after picture
    """

    camera: str
    size_px: tuple[int, int]
    counts: dict[Verdict, int]
    coverage: Coverage
    missing: tuple[Suggestion, ...]
    worst_u_px: float | None
    sigma_px: float
    enough: bool
    why: str
    stuck: bool
    out_of_focus: bool

    @property
    def views(self) -> int:
        """Accepted views."""
        return self.counts.get(Verdict.ACCEPTED, 0)

    @property
    def next_u_px(self) -> float | None:
        """The worst uncertainty after the best next view, predicted."""
        return self.missing[0].worst_u_px if self.missing else None


class Judge:
    """Judges one camera's pictures as they come. Memory is bounded by the views kept.

    timed: whether pictures carry times (a video, a live camera); a folder's do not, and motion is not judged.
    Source of the rule for the next view: Peng S, Sturm P (2019), ICCV (from memory); see plan.py.
    """

    def __init__(
        self, camera: str, board: Board, size_px: tuple[int, int], *, timed: bool = True,
        find: Find | None = None, rise: Rise | None = None, partly_outside: PartlyOutside = part_at_border,
        model: str = "radial5",
    ) -> None:  # fmt: skip
        whole = BoardFinder(board)
        self.camera, self.board, self.size_px, self.model = camera, board, size_px, model
        self._timed = timed
        self._find, self._rise = find or whole.find, rise or whole.rise_px
        self._partly_outside = partly_outside
        self._points_m = board.points_m()
        self._counts: Counter[Verdict] = Counter()
        self._kept: list[KeptView] = []
        self._rises: list[float] = []
        self._blurred_in_a_row = 0
        self._before: tuple[float, Array, NDArray[np.int_]] | None = None
        self._coverage = Coverage.empty()
        self._lens: RoughLens = fit_rough_lens(camera, size_px, [], model)
        self._missing: tuple[Suggestion, ...] | None = None

    @property
    def kept(self) -> tuple[KeptView, ...]:
        """The accepted views that are kept, oldest first."""
        return tuple(self._kept)

    @property
    def lens(self) -> RoughLens:
        """The lens as the views so far tell it."""
        return self._lens

    def feed(self, t_s: float, image: Image) -> Judged:
        """Judges the next picture. Raises BadInput where its size differs from the first one's."""
        size = (image.shape[1], image.shape[0])
        if size != self.size_px:
            raise BadInput(
                f"camera {self.camera}: want pictures of {self.size_px[0]}x{self.size_px[1]} px as the first, "
                f"got {size[0]}x{size[1]}"
            )
        found = self._find(image)
        if found is not None:
            return self.weigh(t_s, *found, self._rise(image, *found))
        verdict = Verdict.OUTSIDE if self._partly_outside(image) else Verdict.NOT_FOUND
        self._counts[verdict] += 1
        return Judged(t_s, verdict)

    def weigh(self, t_s: float, corners_px: Array, ids: NDArray[np.int_], rise_px: float) -> Judged:
        """Judges corners that were found in a picture: feed() without the picture."""
        speed = self._speed(t_s, corners_px, ids)
        verdict = self._verdict(corners_px, rise_px, speed)
        if verdict is Verdict.ACCEPTED:
            verdict = self._take(t_s, corners_px, ids, speed)
        self._counts[verdict] += 1
        return Judged(t_s, verdict, corners_px, ids, rise_px, speed)

    def _speed(self, t_s: float, corners_px: Array, ids: NDArray[np.int_]) -> float:
        """Root mean square speed of the corners seen in this and the last picture, px/s."""
        before, self._before = self._before, (t_s, corners_px, ids)
        if not self._timed:
            return 0.0
        if before is None or not 0 < t_s - before[0] <= _GONE_S:
            return float("nan")
        _, here, there = np.intersect1d(ids, before[2], return_indices=True)
        if not here.size:
            return float("nan")
        moved = corners_px[here] - before[1][there]
        return float(np.sqrt((moved**2).sum(axis=1).mean())) / (t_s - before[0])

    def _verdict(self, corners_px: Array, rise_px: float, speed_px_s: float) -> Verdict:
        tall = float(np.ptp(corners_px[:, 1])) / self.size_px[1]
        limit = max(_SLOW_PX_S, _MOST_SHEAR_PX / (_READOUT_S * max(tall, 0.05)))
        if np.isnan(speed_px_s):
            return Verdict.FIRST
        if speed_px_s > limit:
            return Verdict.MOVING
        return self._sharpness(rise_px)

    def _sharpness(self, rise_px: float) -> Verdict:
        """Against the sharpest tenth of the pictures so far in which the board was slow enough."""
        if np.isnan(rise_px):
            return Verdict.ACCEPTED
        self._rises = [*self._rises[1 - _RISES_KEPT :], rise_px]
        reference = float(np.clip(np.quantile(self._rises, _SHARPER), *_SHARP_RISE_PX))
        wide = rise_px > _BLUR_RATIO * reference
        self._blurred_in_a_row = self._blurred_in_a_row + 1 if wide else 0
        return Verdict.BLURRED if wide else Verdict.ACCEPTED

    def _take(self, t_s: float, corners_px: Array, ids: NDArray[np.int_], speed: float) -> Verdict:
        seen = PlaneView(self._points_m[ids], corners_px)
        pose = board_pose(self._lens.camera, seen)
        if pose is None:
            return Verdict.NOT_FOUND
        view = KeptView(t_s, seen, *self._place(pose), speed)
        for i, earlier in enumerate(self._kept):
            if _alike(view.place, view.normal, earlier) or _unmoved(
                view.seen.corners_px, earlier.seen.corners_px
            ):
                # the same place seen from a stiller board is the better view of it
                if speed < 0.5 * earlier.speed_px_s:
                    self._kept[i] = view
                return Verdict.DUPLICATE
        self._kept.append(view)
        if len(self._kept) > _MOST_KEPT:
            self._kept.pop(_most_alike(self._kept))
        self._lens = fit_rough_lens(self.camera, self.size_px, [v.seen for v in self._kept], self.model)
        self._kept = [self._placed_anew(v) for v in self._kept]
        kind = size_and_tilt(self._lens.camera, self.board, board_pose(self._lens.camera, seen) or pose)
        self._coverage = self._coverage.with_view(corners_px, self.size_px, *kind)
        self._missing = None
        return Verdict.ACCEPTED

    def _place(self, pose: Rigid) -> tuple[Array, Array]:
        """Middle of the board as shares of the picture and log size (3,); its normal (3,)."""
        camera = self._lens.camera
        middle = pose.apply(self.board.centre_m())
        centre = camera.placed(pose).project(self.board.centre_m()) / np.array(self.size_px)
        return np.array([*centre, np.log(camera.K_px[0, 0] / middle[2])]), pose.R[:, 2]

    def _placed_anew(self, view: KeptView) -> KeptView:
        """A kept view's place as the newest lens tells it."""
        pose = board_pose(self._lens.camera, view.seen)
        return view if pose is None else KeptView(view.t_s, view.seen, *self._place(pose), view.speed_px_s)

    def _done(self, cam_from_board: Rigid) -> bool:
        """Whether a board held there would be taken for an earlier view."""
        place, normal = self._place(cam_from_board)
        return any(_alike(place, normal, earlier) for earlier in self._kept)

    def standing(self) -> Standing:
        """How far the footage has come, and what it lacks."""
        if self._missing is None:
            self._missing = next_views(
                self._lens, self.board, self._coverage.cells > 0, _SUGGESTIONS, self._done
            )
        views = self._counts[Verdict.ACCEPTED]
        worst = worst_u_now_px(self._lens) if views else None
        stuck = (worst or 0.0) > MOST_U_PX and not self._more_helps()
        why = self._why(views, worst)
        return Standing(
            self.camera, self.size_px, dict(self._counts), self._coverage, self._missing, worst,
            self._lens.sigma_px, not why, why, stuck, self._blurred_in_a_row >= _OUT_OF_FOCUS,
        )  # fmt: skip

    def _more_helps(self) -> bool:
        few = self._counts[Verdict.ACCEPTED] < LEAST_VIEWS
        return few or any(s.gain > _LEAST_GAIN for s in (self._missing or ())[:1])

    def _why(self, views: int, worst_u_px: float | None) -> str:
        share = self._coverage.share
        if views < LEAST_VIEWS:
            return f"accepted views: {views}, want at least {LEAST_VIEWS}"
        if share < _LEAST_COVERAGE:
            return f"corners reached {100 * share:.0f} % of the picture, want {100 * _LEAST_COVERAGE:.0f} %"
        if self._missing and self._missing[0].gain > _LEAST_GAIN:
            return f"one more view would still tell {100 * self._missing[0].gain:.0f} % more"
        if worst_u_px is not None and worst_u_px > MOST_U_PX:
            return (
                f"further views help little, yet {worst_u_px:.1f} px stay uncertain: "
                "look for blur, a bent board or a camera that refocuses"
            )
        return ""


def _alike(place: Array, normal: Array, earlier: KeptView) -> bool:
    where = np.abs(place - earlier.place)
    tilt_rad = np.arccos(np.clip(normal @ earlier.normal, -1, 1))
    return bool(where[:2].max() < _SAME_PLACE and where[2] < _SAME_SIZE and tilt_rad < _SAME_TILT_RAD)


def _unmoved(here_px: Array, there_px: Array) -> bool:
    """A small board's tilt is told badly from one picture; one that did not move at all is the same view."""
    if here_px.shape != there_px.shape:
        return False
    moved = np.sqrt(((here_px - there_px) ** 2).sum(axis=1).mean())
    return bool(moved < 1.0 + _STILL_SHARE * np.linalg.norm(np.ptp(here_px, axis=0)))


def _most_alike(views: list[KeptView]) -> int:
    """The view, the newest excepted, that is nearest to another one."""
    place = np.array([[*v.place, *v.normal] for v in views])
    apart = np.linalg.norm(place[:, None] - place[None], axis=-1)
    np.fill_diagonal(apart, np.inf)
    return int(apart[:-1].min(axis=1).argmin())
