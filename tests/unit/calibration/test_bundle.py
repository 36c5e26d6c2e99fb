"""The joint fit: its derivatives against differences, its unknowns against a known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.bundle import (
    BoardSeen,
    BundleProblem,
    CourtPoints,
    KnownLengths,
    LensPrior,
    PointSeen,
    SolveOptions,
    moved,
    nudged,
    solve_bundle,
)
from calibration.bundle.kernel import PLAIN
from calibration.bundle.problem import bow_shapes
from calibration.bundle.solve import _Solver
from calibration.checks import Array
from calibration.court.model import COURT_POINTS_M
from calibration.errors import BadInput, NotMeasurable
from calibration.geometry import Camera, Rigid
from calibration.geometry.camera import N_CAMERA, N_LENS
from tests.support.jacobian import assert_jacobian
from tests.support.rig_worlds import (
    BOARD,
    board_facing,
    court_cameras,
    faces,
    parameter_error,
    rig_cameras,
    shared_boards,
    squared_in_sigmas,
)

POINTS = BOARD.points_m()
LOOSE = np.zeros((N_LENS, N_LENS))
LOOSE[8:, 8:] = np.eye(4) * 4.0
LOOSELY = LensPrior(np.zeros(N_LENS), LOOSE)
COURT = np.array([COURT_POINTS_M[n] for n in ("baseline_centre", "service_left_singles", "service_centre")])


def bent(bow: Array) -> Array:
    """The board's corners with these two bow heights."""
    return POINTS + np.outer(bow @ bow_shapes(POINTS), [0, 0, 1.0])


def models(cameras: tuple[Camera, ...]) -> tuple[Camera, ...]:
    """The same cameras, one of each lens model."""
    a, b, c = cameras
    return (
        a,
        replace(b, model="rational8", distortion=np.array([0.1, -0.02, 4e-4, -3e-4, 0.01, 0.2, 0.03, 0.01])),
        replace(c, model="fisheye4", distortion=np.array([0.02, -0.01, 0.003, -0.001])),
    )


def observed(
    cameras: tuple[Camera, ...], boards: list[Rigid], bow: Array, sigma_px: float, rng: np.random.Generator
) -> tuple[BoardSeen, ...]:
    """What each camera sees of each board that faces it."""
    x = bent(bow)
    seen = []
    for b, pose in enumerate(boards):
        for c, camera in enumerate(cameras):
            if faces(camera, pose):
                uv = camera.project(pose.apply(x))
                seen.append(BoardSeen(c, b, uv + rng.normal(0, sigma_px, uv.shape)))
    return tuple(seen)


def everything(rng: np.random.Generator) -> tuple[BundleProblem, tuple[Camera, ...], list[Rigid]]:
    """A problem in which every kind of observation takes part, and a start a little off."""
    court = court_cameras()
    cameras = models(rig_cameras(court))
    rig_from_court = cameras[0].cam_from_world.inverse() @ Rigid(
        court[0].cam_from_world.R, court[0].cam_from_world.t_m, "cam_left", "court"
    )
    boards = shared_boards(cameras, 5, rng)
    seen = list(observed(cameras, boards, np.array([0.002, -0.001]), 0.2, rng))
    part = np.array([3, 7, 8, 20, 31, 40, 53])
    speed = rng.normal(0, 40, (len(part), 2))
    seen[1] = BoardSeen(
        seen[1].camera, seen[1].board, seen[1].uv_px[part], part, velocity_px_s=speed, clock=1, noise=1.5
    )
    on_court, ends = [], []
    bar = rig_from_court.apply(np.array([[0.1, 0.2, 0.5], [0.1, 0.2, 1.7]]))
    for c, camera in enumerate(cameras):
        for p, x in enumerate(rig_from_court.apply(COURT)):
            on_court.append(PointSeen(c, p, camera.project(x) + rng.normal(0, 0.5, 2), 0.5))
        for p, x in enumerate(bar):
            ends.append(PointSeen(c, p, camera.project(x) + rng.normal(0, 0.5, 2), 0.5))
    problem = BundleProblem(
        POINTS, tuple(seen), (LOOSELY,) * 3, frozenset({0}), bow_u_m=0.003, n_clocks=2, clock_u_s=0.01,
        court=CourtPoints(COURT, np.full((3, 3), 0.004), tuple(on_court), rig_from_court),
        lengths=KnownLengths(bar + 0.01, tuple(ends), np.array([1.2]), np.array([0.001])),
    )  # fmt: skip
    off = [moved(c, rng.normal(0, 1e-4, N_CAMERA) * c.used_parameters()) for c in cameras]
    return problem, tuple(off), [nudged(b, rng.normal(0, 1e-3, 6)) for b in boards]


def test_gradient_and_curvature_against_differences(rng: np.random.Generator) -> None:
    """g is minus half the cost's derivative, H half its second one up to the residuals' own curvature."""
    problem, cameras, boards = everything(rng)
    solver = _Solver(problem, cameras, tuple(boards), SolveOptions(robust=False, sigma_px=0.3))
    solver.sigma_px = 0.3
    start = solver.state
    start.bow[:], start.clocks[:], start.paint[:] = (1e-3, 2e-3), (1e-3, -2e-3), 1e-3
    size = solver.layout.size
    unit = np.ones(size + 6 * len(boards))  # unknowns of very different size, made alike
    normal = solver.linearise(start, PLAIN)
    unit[:size] = 1 / np.sqrt(np.maximum(np.diag(normal.Hgg), 1.0))
    unit[size:] = 1 / np.sqrt(np.maximum(np.einsum("bii->bi", normal.Hbb).ravel(), 1.0))

    def gradient(x: Array) -> Array:
        step = x * unit
        at = start.moved(step[:size], step[size:].reshape(-1, 6), solver.layout)
        assert at is not None
        n = solver.linearise(at, PLAIN)
        return np.concatenate([n.gg, n.gb.ravel()]) * unit

    def cost(x: Array) -> Array:
        step = x * unit
        at = start.moved(step[:size], step[size:].reshape(-1, 6), solver.layout)
        assert at is not None
        return np.asarray(-solver.linearise(at, PLAIN).cost / 2)

    zero = np.zeros(len(unit))
    used = solver.free.tolist() + list(range(size, len(unit)))
    g = gradient(zero)
    for k in used:
        e = np.zeros(len(unit))
        e[k] = 1e-3
        numeric = (cost(e) - cost(-e)) / 2e-3
        assert numeric == pytest.approx(g[k], abs=2e-4 * max(1.0, np.abs(g).max())), k
    H = np.zeros((len(unit), len(unit)))
    H[:size, :size] = normal.Hgg
    for b in range(len(boards)):
        own = slice(size + 6 * b, size + 6 * b + 6)
        H[own, :size], H[:size, own], H[own, own] = normal.Hgb[b], normal.Hgb[b].T, normal.Hbb[b]
    H = H * unit * unit[:, None]
    for k in used:
        e = np.zeros(len(unit))
        e[k] = 1e-3
        column = -(gradient(e) - gradient(-e)) / 2e-3
        assert np.abs(column - H[:, k])[used].max() < 0.03, k


@pytest.mark.parametrize("model", ["radial5", "rational8", "fisheye4"])
def test_projection_derivatives_of_every_model(model: str, rng: np.random.Generator) -> None:
    camera = dict(zip(("radial5", "rational8", "fisheye4"), models(court_cameras()), strict=True))[model]
    x = np.array([[0.4, 0.5, 1.9], [-1.5, 0.3, 0.1], [0.8, 2.0, 2.6]])
    _, by_point, by_parameter = camera.project_all(x)
    for k in range(3):
        assert_jacobian(camera.project, by_point[k], x[k], rtol=1e-5)
    assert_jacobian(lambda step: moved(camera, step).project(x), by_parameter, np.zeros(N_CAMERA), rtol=1e-5)
    assert np.abs(by_parameter[..., ~camera.used_parameters()]).max(initial=0.0) == 0
    uv = rng.uniform((0, 0), camera.size_px, (50, 2))
    n = camera.normalised(uv)
    back = camera.with_lens(camera.lens_vector(), Rigid.identity(f"cam_{camera.name}", "rig"))
    np.testing.assert_allclose(back.project(np.column_stack([n, np.ones(50)])), uv, atol=1e-6)


def test_all_unknowns_of_a_full_problem_are_honest() -> None:
    """Cameras, bow, clocks and the court's place against their joint covariance, over 25 worlds."""
    total, freedom = 0.0, 0
    for seed in range(25):
        rng = np.random.default_rng(seed)
        court = court_cameras()
        cameras = rig_cameras(court)
        boards = [
            *shared_boards(cameras, 10, rng),
            *(c.cam_from_world.inverse() @ board_facing(c, rng, (1.0, 2.5)) for c in cameras for _ in range(5)),
        ]
        bow, late = rng.normal(0, 0.002, 2), rng.normal(0, 0.004)
        seen = list(observed(cameras, boards, bow, 0.3, rng))
        for k, s in enumerate(seen):
            if s.camera == 2:  # the board moves, and this camera's clock is off by `late`
                v = rng.normal(0, 60, 2) + np.zeros((len(s.uv_px), 2))
                seen[k] = replace(s, uv_px=s.uv_px - v * late, velocity_px_s=v, clock=0)
        rig_from_court = cameras[0].cam_from_world.inverse() @ Rigid(
            court[0].cam_from_world.R, court[0].cam_from_world.t_m, "cam_left", "court"
        )
        painted = COURT + rng.normal(0, 0.004, COURT.shape)
        clicked = [
            PointSeen(c, p, camera.project(x) + rng.normal(0, 0.5, 2), 0.5)
            for c, camera in enumerate(cameras)
            for p, x in enumerate(rig_from_court.apply(painted))
        ]
        problem = BundleProblem(
            POINTS, tuple(seen), (LOOSELY,) * 3, frozenset({0}), bow_u_m=0.003,
            n_clocks=1, clock_u_s=0.01,
            court=CourtPoints(
                COURT, np.full((3, 3), 0.004), tuple(clicked), nudged(rig_from_court, np.full(6, 0.01))
            ),
        )  # fmt: skip
        used = cameras[0].used_parameters()
        start = [moved(c, np.where(used, rng.normal(0, 0.02, N_CAMERA), 0)) for c in cameras[1:]]
        solved = solve_bundle(
            problem, [cameras[0], *start], [nudged(b, rng.normal(0, 0.02, 6)) for b in boards]
        )
        assert solved.rig_from_court is not None
        turn = Rigid(solved.rig_from_court.R @ rig_from_court.R.T, np.zeros(3), "a", "b").rotvec_rad()
        place = [turn, solved.rig_from_court.t_m - rig_from_court.t_m]
        errors = [parameter_error(c, t) for c, t in zip(solved.cameras, cameras, strict=True)]
        error = np.concatenate([*errors, solved.bow_m - bow, solved.clocks_s - late, *place])
        z2, n = squared_in_sigmas(error, solved.joint[: len(error), : len(error)])
        total, freedom = total + z2, freedom + n
    assert freedom == 25 * (3 * 9 + 2 * 6 + 2 + 1 + 6)
    assert abs(total / freedom - 1) < 4 * np.sqrt(2 / freedom)


def test_a_flat_model_of_a_bowed_board_is_far_off_and_the_bow_is_found(rng: np.random.Generator) -> None:
    cameras = rig_cameras(court_cameras())
    boards = [
        *shared_boards(cameras, 20, rng),
        *(c.cam_from_world.inverse() @ board_facing(c, rng, (1.0, 2.5)) for c in cameras for _ in range(20)),
    ]
    bow = np.array([0.002, 0.001])
    seen = observed(cameras, boards, bow, 0.2, rng)
    flat = BundleProblem(POINTS, seen, (LOOSELY,) * 3, frozenset({0}))
    wrong = solve_bundle(flat, cameras, boards)
    right = solve_bundle(replace(flat, bow_u_m=0.005), cameras, boards)
    u = np.sqrt(np.diag(right.bow_covariance))
    assert np.abs((right.bow_m - bow) / u).max() < 4 and u.max() < 1e-4
    assert wrong.sigma_px > 1.15 * right.sigma_px
    focal_off = [abs(s.cameras[0].K_px[0, 0] - cameras[0].K_px[0, 0]) for s in (wrong, right)]
    assert focal_off[1] < 1.0 < 4.0 < focal_off[0]


def test_a_known_length_mends_the_scale(rng: np.random.Generator) -> None:
    """A board 0.2 % larger than told makes the rig too small; a bar of known length pulls it back."""
    cameras = rig_cameras(court_cameras())
    boards = shared_boards(cameras, 12, rng)
    seen = observed(cameras, boards, np.zeros(2), 0.2, rng)
    middle = np.mean([b.t_m for b in boards], axis=0)
    bars = np.concatenate([middle + rng.normal(0, 0.3, 3) + np.array([np.zeros(3), d]) for d in np.eye(3)])
    ends = tuple(
        PointSeen(c, p, camera.project(x), 0.5) for c, camera in enumerate(cameras) for p, x in enumerate(bars)
    )
    lengths = KnownLengths(bars, ends, np.full(3, 1.0), np.full(3, 1e-3))
    problem = BundleProblem(POINTS / 1.002, seen, (LOOSELY,) * 3, frozenset({0}), lengths=lengths)
    free = solve_bundle(replace(problem, lengths=None), cameras, boards)
    tied = solve_bundle(problem, cameras, boards)
    reach = np.linalg.norm(cameras[1].cam_from_world.t_m)
    size = [np.linalg.norm(s.cameras[1].cam_from_world.t_m) / reach for s in (free, tied)]
    assert size[0] == pytest.approx(1 / 1.002, abs=5e-4)
    assert size[1] - size[0] > 0 and abs(size[1] - 1) < abs(size[0] - 1)


def test_views_that_do_not_fix_a_lens_are_refused_by_name(rng: np.random.Generator) -> None:
    camera = rig_cameras(court_cameras())[0]
    pose = board_facing(camera, rng, (1.0, 1.2))
    few = np.array([0, 8, 45, 53])
    seen = (BoardSeen(0, 0, camera.project(pose.apply(POINTS[few])), few),)
    board = Rigid(pose.R, pose.t_m, "rig", "board")
    problem = BundleProblem(
        POINTS, seen, (LensPrior(np.zeros(N_LENS), np.zeros((N_LENS, N_LENS))),), frozenset({0})
    )
    with pytest.raises(NotMeasurable, match="camera left: the views do not fix"):
        solve_bundle(problem, [camera], [board])


def test_records_refuse_contradictions() -> None:
    with pytest.raises(BadInput, match="velocity and a clock together"):
        BoardSeen(0, 0, np.zeros((4, 2)), clock=0)
    with pytest.raises(BadInput, match="every u_m above 0"):
        KnownLengths(np.zeros((2, 3)), (), np.ones(1), np.zeros(1))
    with pytest.raises(BadInput, match="court points: u_m"):
        CourtPoints(np.zeros((2, 3)), np.zeros((1, 3)), (), Rigid.identity("rig", "court"))
