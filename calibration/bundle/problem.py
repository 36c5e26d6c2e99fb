"""What the joint fit is given and what it gives back."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calibration.checks import Array, checked
from calibration.errors import BadInput
from calibration.geometry.camera import N_CAMERA, N_LENS, Camera
from calibration.geometry.rigid import Rigid


@dataclass(frozen=True, slots=True, eq=False)
class BoardSeen:
    """One board pose seen by one camera.

    camera, board  indices into the problem's cameras and boards
    uv_px          (n, 2) corners
    ids            (n,) which corners they are; None: all of them in order
    velocity_px_s  (n, 2) how fast the corners move in the picture; None: the board stands still
    clock          index of the clock error that the moment of this view shares, None where it has none: with an
                   error of d seconds the corners stood at uv_px + velocity_px_s · d
    noise          standard deviation of these corners relative to that of the others
    """

    camera: int
    board: int
    uv_px: Array
    ids: NDArray[np.intp] | None = None
    velocity_px_s: Array | None = None
    clock: int | None = None
    noise: float = 1.0

    def __post_init__(self) -> None:
        if (self.velocity_px_s is None) != (self.clock is None):
            raise BadInput(f"view of board {self.board}: want a velocity and a clock together, got one of them")


@dataclass(frozen=True, slots=True, eq=False)
class LensPrior:
    """What is known beforehand of a lens: mean (12,), information (12, 12) = 1/covariance."""

    mean: Array
    information: Array


@dataclass(frozen=True, slots=True, eq=False)
class PointSeen:
    """A point seen by one camera: indices of camera and point, where (2,), and its u along each image axis."""

    camera: int
    point: int
    uv_px: Array
    u_px: float


@dataclass(frozen=True, slots=True, eq=False)
class CourtPoints:
    """Points of the court that cameras saw.

    xyz_m, u_m  (P, 3) in the court frame, and the standard uncertainty of each coordinate as painted or built
    rig_from_court  a first placement
    """

    xyz_m: Array
    u_m: Array
    seen: tuple[PointSeen, ...]
    rig_from_court: Rigid

    def __post_init__(self) -> None:
        object.__setattr__(self, "xyz_m", checked(self.xyz_m, (None, 3), "court points: xyz_m"))
        object.__setattr__(self, "u_m", checked(self.u_m, self.xyz_m.shape, "court points: u_m"))


@dataclass(frozen=True, slots=True, eq=False)
class KnownLengths:
    """A bar with marked ends at K places: ends 2 k and 2 k + 1 are length_m[k] apart, known to u_m[k].

    ends_m  (2 K, 3) first positions of the ends in the frame of the cameras
    """

    ends_m: Array
    seen: tuple[PointSeen, ...]
    length_m: Array
    u_m: Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "length_m", checked(self.length_m, (None,), "known lengths: length_m"))
        object.__setattr__(self, "u_m", checked(self.u_m, self.length_m.shape, "known lengths: u_m"))
        ends = checked(self.ends_m, (2 * len(self.length_m), 3), "known lengths: ends_m")
        object.__setattr__(self, "ends_m", ends)
        if (self.u_m <= 0).any():
            raise BadInput("known lengths: want every u_m above 0")


@dataclass(frozen=True, slots=True, eq=False)
class BundleProblem:
    """Everything that does not change while solving.

    points_m     (N, 3) corners of the flat board in its frame, z = 0
    seen         all observations of boards
    priors       one per camera
    held_poses   cameras whose pose is held: they fix the gauge
    bow_u_m      how far a board may bow, as a standard uncertainty of each of its two bow heights; None: the
                 bow is bow_m
    bow_m        (2,) bow heights to start from, or to hold
    clock_u_s    prior standard uncertainty of every clock error
    """

    points_m: Array
    seen: tuple[BoardSeen, ...]
    priors: tuple[LensPrior, ...]
    held_poses: frozenset[int]
    bow_u_m: float | None = None
    bow_m: Array = field(default_factory=lambda: np.zeros(2))
    n_clocks: int = 0
    clock_u_s: float = 1.0
    court: CourtPoints | None = None
    lengths: KnownLengths | None = None


@dataclass(frozen=True)
class Layout:
    """Where the unknowns other than board poses stand: cameras (18 each), bow 2, clocks, the court's place
    6, its paint 3 per point, bar ends 3 each. Read at every step of the solver: each is worked out once."""

    n_cameras: int
    n_clocks: int = 0
    n_points: int = 0
    n_ends: int = 0

    @cached_property
    def bow(self) -> slice:
        """The two bow heights."""
        return slice(N_CAMERA * self.n_cameras, N_CAMERA * self.n_cameras + 2)

    @cached_property
    def clocks(self) -> slice:
        """Clock errors."""
        return slice(self.bow.stop, self.bow.stop + self.n_clocks)

    @cached_property
    def court(self) -> slice:
        """The court's place: rotation vector on the left of rig_from_court, and its t_m."""
        return slice(self.clocks.stop, self.clocks.stop + (6 if self.n_points else 0))

    @cached_property
    def paint(self) -> slice:
        """Errors of the court's points."""
        return slice(self.court.stop, self.court.stop + 3 * self.n_points)

    @cached_property
    def ends(self) -> slice:
        """Positions of the bar's ends."""
        return slice(self.paint.stop, self.paint.stop + 3 * self.n_ends)

    @cached_property
    def size(self) -> int:
        """How many there are."""
        return int(self.ends.stop)


@dataclass(frozen=True, slots=True, eq=False)
class BundleSolution:
    """cameras, world_from_board  the estimate; boards without a view keep their start
    covariance     (18 n, 18 n), order PARAMETERS per camera; zero rows for held poses and unused lens slots
    sigma_px       standard deviation of one image coordinate, estimated from the residuals
    residuals_px   per observation (n, 2), measured minus predicted
    bow_m          (2,) bow heights along columns and rows, and their covariance (2, 2)
    clocks_s       (k,) clock errors and their standard uncertainties
    rig_from_court  the court's place; None without court points
    joint          (G, G) covariance of all unknowns but the board poses, in the order of `layout`
    cost           sum of squared residuals in sigmas, priors included
    steps          how many times the equations were linearised
    """

    cameras: tuple[Camera, ...]
    world_from_board: tuple[Rigid, ...]
    covariance: Array
    sigma_px: float
    residuals_px: tuple[Array, ...]
    bow_m: Array
    bow_covariance: Array
    clocks_s: Array
    clocks_u_s: Array
    rig_from_court: Rigid | None
    joint: Array
    layout: Layout
    cost: float
    steps: int


def bow_shapes(points_m: Array) -> Array:
    """(2, N) rise of each corner, along columns and along rows, per metre of bow height: 1 in the middle of the
    board, 0 at the ends of that axis. Board height = bow · shapes, away from the cameras where positive."""
    span = points_m[:, :2].max(axis=0) - points_m[:, :2].min(axis=0)
    middle = (points_m[:, :2].max(axis=0) + points_m[:, :2].min(axis=0)) / 2
    return np.asarray(1 - ((points_m[:, :2] - middle) / (span / 2)).T ** 2)


def bent_points(points_m: Array, bow_m: Array) -> Array:
    """(N, 3) corners of the board with these two bow heights."""
    return np.asarray(points_m + np.outer(bow_m @ bow_shapes(points_m), [0.0, 0.0, 1.0]))


def nudged(pose: Rigid, step: Array) -> Rigid:
    """exp(step[:3]) applied on the left of the rotation; step[3:] added to t_m. The rotation stays exact."""
    R = Rotation.from_rotvec(step[:3]) * Rotation.from_matrix(pose.R)
    return Rigid(R.as_matrix(), pose.t_m + step[3:], pose.dst, pose.src)


def moved(camera: Camera, step: Array) -> Camera:
    """The camera after adding `step` (18,) to its PARAMETERS."""
    return camera.with_lens(camera.lens_vector() + step[:N_LENS], nudged(camera.cam_from_world, step[N_LENS:]))
