"""Films of the checkerboard: one sweep per camera for its lens, and sets that several cameras see together."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from calibration.checks import Array
from demo_rigs.boards import BoardPicture, Holds, board_picture, draw_board, lens_path, shared_path
from demo_rigs.description import Academy, Shared
from demo_rigs.effects import Sensor, to_bytes
from demo_rigs.footage import clip
from demo_rigs.lens_map import LensMap
from demo_rigs.lighting import NOON

Tick = Callable[[int, int], None]
"""progress(done frames, all frames)"""
_TAIL_S = 0.7


def film_lens(a: Academy, name: str, backdrop: Array, lens: LensMap, path: Path, tick: Tick) -> None:
    """The lens footage of one camera. backdrop: that camera's empty court, [0, 1]."""
    picture = board_picture(a.board)
    rng = np.random.default_rng([a.seed, 11, list(a.cameras).index(name)])
    holds = lens_path(picture, a.cameras[name], rng)
    times = np.arange(0.0, float(holds.leave_s[-1]), 1 / a.picture.board_fps)
    _film(a, picture, holds, times, backdrop, lens, path, [a.seed, 12, list(a.cameras).index(name)], tick)


def film_shared(
    a: Academy, which: Shared, name: str, backdrop: Array, lens: LensMap, path: Path, tick: Tick
) -> None:
    """One camera's part of a shared set; its frame k was taken at start + k / fps of the set's time."""
    picture = board_picture(a.board)
    holds = shared_holds(a, which)
    start = which.starts_s[which.cameras.index(name)]
    end = float(holds.leave_s[-1]) + _TAIL_S
    times = start + np.arange(int((end - start) * a.picture.board_fps)) / a.picture.board_fps
    _film(a, picture, holds, times, backdrop, lens, path, [a.seed, 14, list(a.cameras).index(name)], tick)


def shared_holds(a: Academy, which: Shared) -> Holds:
    """Where the board rests in a set, the same for all its cameras."""
    rng = np.random.default_rng([a.seed, 13, [s.label for s in a.shared].index(which.label)])
    return shared_path(board_picture(a.board), [a.cameras[c] for c in which.cameras], which.poses, rng)


def _film(
    a: Academy, picture: BoardPicture, holds: Holds, times: Array, backdrop: Array, lens: LensMap,
    path: Path, seed: list[int], tick: Tick,
) -> None:  # fmt: skip
    """Draws every frame. The exposure is short against the board's slow motion: no blur."""
    sensor = Sensor(
        a.picture.shot_noise, a.picture.read_noise, int(np.random.default_rng(seed).integers(2**31))
    )
    clean = to_bytes(backdrop)
    with clip(path, a.picture.size_px, a.picture.board_fps, a.picture.board_crf) as out:
        for k, t in enumerate(times):
            frame = clean.copy()
            pose = holds.at(float(t))
            sunny = max(float(-pose.R[:, 2] @ NOON.sun_direction()), 0.0)
            drawn = draw_board(picture, pose, lens, 0.72 + 0.28 * sunny)
            if drawn is not None:
                window, board = drawn
                rows, columns = window.slices()
                part = backdrop[rows, columns] * (1 - board[..., 1:]) + board[..., :1]
                frame[rows, columns] = to_bytes(part)
            out.add(sensor.expose(frame))
            tick(k + 1, len(times))
