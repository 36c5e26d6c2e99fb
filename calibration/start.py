"""First values for the joint fit, in closed form from board views: lenses, board poses, camera placements.

Sources: Zhang Z (2000), A flexible new technique for camera calibration, IEEE TPAMI 22:1330-1334 (focal length
from the orthogonality of a board's axes); rotations are averaged by the nearest rotation to their sum: Moakher
M (2002), Means and averaging in the group of rotations, SIAM J Matrix Anal Appl 24:1-16 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calibration.bundle import BoardSeen
from calibration.bundle.state import orthonormal
from calibration.checks import Array
from calibration.errors import BadInput, NotMeasurable
from calibration.geometry.camera import Camera
from calibration.geometry.lens_models import lens_model
from calibration.geometry.rigid import Rigid

_FOCAL_TRIALS = np.geomspace(0.15, 3.0, 40)  # focal lengths over picture width: 147 to 19 degrees of view
_LEAST_CORNERS = 6


def start_cameras(
    names: Sequence[str], sizes_px: Sequence[tuple[int, int]], models: Sequence[str], seen: Sequence[BoardSeen],
    points_m: Array, n_boards: int,
) -> tuple[tuple[Camera, ...], tuple[Rigid, ...]]:  # fmt: skip
    """Cameras in the frame of the first one ("rig"), and rig_from_board poses, where `solve_bundle` may start.

    points_m (N, 3): the board's corners. Raises BadInput naming the cameras that no common board poses join,
    and NotMeasurable where a camera's views give no focal length.
    """
    of = np.array([s.camera for s in seen])
    lenses = []
    R, t = np.empty((len(seen), 3, 3)), np.empty((len(seen), 3))
    for c, name in enumerate(names):
        own = [s for s in seen if s.camera == c]
        camera, H = _lens_and_homographies(name, sizes_px[c], models[c], own, points_m)
        lenses.append(camera)
        R[of == c], t[of == c] = start_poses(camera, own, points_m) if H is None else _poses(H)
    board = np.array([s.board for s in seen])
    Rc, tc = _chained(names, of, board, R, t)
    cameras = tuple(
        camera.placed(Rigid(Rc[c], tc[c], f"cam_{camera.name}", "rig")) for c, camera in enumerate(lenses)
    )
    return cameras, _boards(of, board, R, t, Rc, tc, n_boards)


def start_lens(
    name: str, size_px: tuple[int, int], model: str, seen: Sequence[BoardSeen], points_m: Array
) -> Camera:
    """Focal length with the centre in the picture's middle and no distortion, at the origin of "rig"."""
    return _lens_and_homographies(name, size_px, model, seen, points_m)[0]


def _lens_and_homographies(
    name: str, size_px: tuple[int, int], model: str, seen: Sequence[BoardSeen], points_m: Array
) -> tuple[Camera, Array | None]:
    """The lens, and homographies (V, 3, 3) from board to normalised coordinates, where made on the way."""
    middle = (np.array(size_px) - 1) / 2
    plane, pixels, mask = _padded(seen, points_m, middle)
    straight = model != "fisheye4"
    H = _homographies(plane, pixels, mask) if straight else None
    focal = None if H is None else _focal_by_orthogonality(H)
    if focal is None or not 0.1 * size_px[0] < focal < 10 * size_px[0]:
        focal = _focal_by_trial(plane, pixels, mask, model, size_px[0])
    if focal is None:
        raise NotMeasurable(f"camera {name}: no focal length fits its board views; tilt the board more")
    K = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1.0]])
    pose = Rigid.identity(f"cam_{name}", "rig")
    camera = Camera(name, size_px, K, np.zeros(len(lens_model(model).terms)), pose, model)
    return camera, None if H is None else H / np.array([focal, focal, 1.0])[:, None]


def start_poses(camera: Camera, seen: Sequence[BoardSeen], points_m: Array) -> tuple[Array, Array]:
    """cam_from_board rotations (V, 3, 3) and translations (V, 3) of views of one camera."""
    plane, n, mask = _padded(seen, points_m, None, camera)
    return _poses(_homographies(plane, n, mask))


def _padded(
    seen: Sequence[BoardSeen], points_m: Array, middle: Array | None, camera: Camera | None = None
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Board plane (N, 2), picture (V, N, 2; centred pixels or normalised coordinates), and which are there."""
    picture = np.zeros((len(seen), len(points_m), 2))
    mask = np.zeros((len(seen), len(points_m)), dtype=bool)
    for v, s in enumerate(seen):
        ids = slice(None) if s.ids is None else s.ids
        picture[v, ids] = s.uv_px
        mask[v, ids] = True
    if camera is not None:
        n = camera.normalised(picture[mask])
        picture[mask] = np.nan_to_num(n)
        mask[mask] = np.isfinite(n).all(axis=1)
    elif middle is not None:
        picture -= middle
    return points_m[:, :2], picture, mask


def _homographies(plane: Array, picture: Array, mask: NDArray[np.bool_]) -> Array:
    """(V, 3, 3) from plane to picture by linear least squares, both centred and scaled first."""
    counts = mask.sum(axis=1)
    if counts.min(initial=_LEAST_CORNERS) < _LEAST_CORNERS:
        raise BadInput(f"a board view shows {counts.min()} corners, want at least {_LEAST_CORNERS}")
    scale = 1 / np.abs(plane).max()
    x = np.column_stack([plane * scale, np.ones(len(plane))])
    w = mask[..., None].astype(float)
    middle = (picture * w).sum(axis=1, keepdims=True) / counts[:, None, None]
    size = np.sqrt((((picture - middle) ** 2) * w).sum(axis=(1, 2)) / counts)
    q = (picture - middle) / size[:, None, None]
    rows = np.zeros((len(picture), 2, len(plane), 8))
    rows[:, 0, :, :3] = rows[:, 1, :, 3:6] = x * w
    rows[:, 0, :, 6:] = -q[..., :1] * x[:, :2] * w
    rows[:, 1, :, 6:] = -q[..., 1:] * x[:, :2] * w
    A = rows.reshape(len(picture), -1, 8)
    right = (np.moveaxis(q, -1, 1) * w[:, None, :, 0]).reshape(len(picture), -1)
    At = np.swapaxes(A, 1, 2)
    h = np.linalg.solve(At @ A + 1e-12 * np.eye(8), (At @ right[..., None]))[..., 0]
    H = np.concatenate([h, np.ones((len(h), 1))], axis=1).reshape(-1, 3, 3)
    H[:, :2] = H[:, :2] * size[:, None, None] + middle[:, 0, :, None] * H[:, 2:]
    H[..., :2] *= scale
    return H


def _focal_by_orthogonality(H: Array) -> float | None:
    """h1ᵀ diag(1, 1, f²) h2 = 0 and |h1| = |h2| under that metric: linear in f², all views together."""
    a, b = H[:, :, 0], H[:, :, 1]
    weight = 1 / (a[:, :2] ** 2).sum(axis=1)
    by_f2 = np.concatenate([a[:, 2] * b[:, 2] * weight, (a[:, 2] ** 2 - b[:, 2] ** 2) * weight])
    rest = np.concatenate(
        [
            (a[:, :2] * b[:, :2]).sum(axis=1) * weight,
            ((a[:, :2] ** 2).sum(axis=1) - (b[:, :2] ** 2).sum(axis=1)) * weight,
        ]
    )
    f2 = -float(by_f2 @ rest) / max(float(by_f2 @ by_f2), 1e-300)
    return float(np.sqrt(f2)) if f2 > 0 else None


def _focal_by_trial(
    plane: Array, pixels: Array, mask: NDArray[np.bool_], model: str, width_px: int
) -> float | None:
    """The trial focal length under which the straightened boards are flattest and most square."""
    best: tuple[float, float] | None = None
    for focal in _FOCAL_TRIALS * width_px:
        n = pixels / focal
        r = np.sqrt((n**2).sum(axis=-1, keepdims=True))
        if model == "fisheye4":
            if r[mask].max() > 1.4:  # 80 degrees off the axis
                continue
            n = n * np.tan(np.minimum(r, 1.4)) / np.maximum(r, 1e-9)
        H = _homographies(plane, n, mask)
        mapped = np.column_stack([plane, np.ones(len(plane))]) @ np.swapaxes(H, 1, 2)
        miss = (mapped[..., :2] / mapped[..., 2:] - n)[mask]
        a, b = H[:, :, 0], H[:, :, 1]
        size = np.linalg.norm(a, axis=1) * np.linalg.norm(b, axis=1)
        skew = np.abs((a * b).sum(axis=1)) / size + np.abs((a**2).sum(axis=1) - (b**2).sum(axis=1)) / size
        # one degree of skew counts like a bend of a hundredth of the board's half width
        spread = np.sqrt((n[mask] ** 2).mean())
        score = float(np.sqrt((miss**2).mean()) / spread + np.median(skew))
        if best is None or score < best[0]:
            best = (score, float(focal))
    return None if best is None else best[1]


def _poses(H: Array) -> tuple[Array, Array]:
    """Rotations and translations behind homographies from the board's plane to normalised coordinates."""
    size = (np.linalg.norm(H[..., 0], axis=1) + np.linalg.norm(H[..., 1], axis=1)) / 2 * np.sign(H[:, 2, 2])
    H = H / size[:, None, None]
    R = np.stack([H[..., 0], H[..., 1], np.cross(H[..., 0], H[..., 1])], axis=-1)
    return orthonormal(R), H[..., 2]


def _chained(
    names: Sequence[str], camera: NDArray[np.intp], board: NDArray[np.intp], R: Array, t: Array
) -> tuple[Array, Array]:
    """Camera poses in the first camera's frame, joined where most board poses are shared."""
    n, n_boards = len(names), int(board.max(initial=-1)) + 1
    at = np.full((n, n_boards), -1)
    at[camera, board] = np.arange(len(camera))
    Rc, tc = np.tile(np.eye(3), (n, 1, 1)), np.zeros((n, 3))
    joined = [0]
    while len(joined) < n:
        rest = [c for c in range(n) if c not in joined]
        shared = {(a, b): np.flatnonzero((at[a] >= 0) & (at[b] >= 0)) for a in joined for b in rest}
        a, b = max(shared, key=lambda pair: len(shared[pair]))
        both = shared[a, b]
        if not len(both):
            raise apart([names[c] for c in joined], [names[c] for c in rest])
        Ra, ta, Rb, tb = R[at[a, both]], t[at[a, both]], R[at[b, both]], t[at[b, both]]
        turns = Rb @ np.swapaxes(Ra, 1, 2)
        mean = orthonormal(turns.sum(axis=0))
        away = np.linalg.norm(turns - mean, axis=(1, 2))
        good = away <= np.median(away)
        mean = orthonormal(turns[good].sum(axis=0))
        shift = np.median(tb[good] - ta[good] @ mean.T, axis=0)
        Rc[b], tc[b] = mean @ Rc[a], mean @ tc[a] + shift
        joined.append(b)
    return Rc, tc


def apart(joined: Sequence[str], rest: Sequence[str]) -> BadInput:
    """The error for cameras that no shared board poses join."""
    return BadInput(
        f"shared footage does not join the cameras: {', '.join(joined)} on one side, {', '.join(rest)} on the "
        "other; record a set in which the board is held where cameras of both sides see it together"
    )


def _boards(
    camera: NDArray[np.intp], board: NDArray[np.intp], R: Array, t: Array, Rc: Array, tc: Array, n_boards: int
) -> tuple[Rigid, ...]:
    """rig_from_board, each from the camera that it is nearest to."""
    where = np.full(n_boards, -1)
    order = np.argsort(-t[:, 2], kind="stable")
    where[board[order]] = order  # the last one written stays: the nearest
    v = where[where >= 0]
    back = np.swapaxes(Rc[camera[v]], 1, 2)
    shift = (back @ (t[v] - tc[camera[v]])[..., None])[..., 0]
    out = [Rigid.identity("rig", "board")] * n_boards
    for b, pose in zip(np.flatnonzero(where >= 0), Rigid.many(back @ R[v], shift, "rig", "board"), strict=True):
        out[b] = pose
    return tuple(out)
