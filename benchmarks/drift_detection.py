"""How well a moved camera is noticed: invented courts, rendered days, nudges of known size.

    python -m benchmarks.drift_detection [--cases 100] [--part 0.5] [--seed 0]

Each case takes one of three cameras, draws a calibration that is off by its own covariance, takes a reference
picture on one invented day and a new one on another (other light, shadows, player, balls, noise, compression),
and asks for the verdict. part scales the picture: 1 is 1280 x 720 with f = 1000 px; half of that is the harder
case. Nothing here is measured on real footage.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np

from calibration.court.model import SERVE_VOLUME
from calibration.drift import CameraCheck, check_camera
from calibration.drift.mend import moved_camera
from calibration.geometry import Camera
from tests.support.court_scenes import (
    Day,
    Scene,
    nudged_camera,
    registered,
    scaled_camera,
    some_day,
    some_direction,
)
from tests.support.rig_worlds import PLACES_M, court_camera

NUDGES = {
    "still": (0.0, 0.0),
    "turned 0.2 deg": (0.2, 0.0),
    "shifted 5 mm": (0.0, 5.0),
    "turned 0.02 deg": (0.02, 0.0),
    "shifted 2 mm": (0.0, 2.0),
    "knocked": (2.0, 50.0),
}
"""Name → degrees, millimetres, each in a random direction."""


@dataclass(frozen=True)
class Case:
    """One verdict.

    error2   squared error of (turn, shift) in its own sigmas, over six
    seconds  it took
    player_mm  how far off the camera puts things at the player, rms over the serve volume: calibrated, mended
    """

    nudge: str
    check: CameraCheck
    error2: float
    seconds: float
    player_mm: tuple[float, float]


def player_error_mm(camera: Camera, true: Camera) -> float:
    """Rms distance, over the serve volume, between a point and the ray on which the camera has it."""
    x = SERVE_VOLUME.grid_m()
    uv = true.project(x)
    seen = (uv > 0).all(axis=1) & (uv < np.array(true.size_px)).all(axis=1)
    rays, to = camera.rays(uv[seen]), x[seen] - camera.centre_m()
    off = to - (to * rays).sum(axis=1, keepdims=True) * rays
    return 1e3 * float(np.sqrt((off**2).sum(axis=1).mean()))


def cases(numbers: range, part: float, seed: int, nudges: tuple[str, ...] = tuple(NUDGES)) -> Iterator[Case]:
    """A case of each nudge for every number; cameras and scenes in turn."""
    for n, name in enumerate(PLACES_M):
        true = scaled_camera(court_camera(name), part)
        scene = Scene(true, seed + n)
        for k in (k for k in numbers if k % len(PLACES_M) == n):
            rng = np.random.default_rng([seed, n, k])
            reference = scene.seen_by(true, Day(player=False, shadows=2, quality=95), rng)
            camera, covariance = registered(true, rng)
            for nudge in nudges:
                degrees, mm = NUDGES[nudge]
                turn = np.radians(degrees) * some_direction(rng)
                shift = 1e-3 * mm * some_direction(rng)
                stands = nudged_camera(true, turn, shift)
                new = scene.seen_by(stands, some_day(rng), rng)
                start = time.perf_counter()
                check = check_camera(camera, covariance, new, reference)
                seconds = time.perf_counter() - start
                error = np.concatenate([check.turn_rad - turn, check.shift_m - shift])
                error2 = float(error @ np.linalg.solve(check.covariance, error)) / 6 if check.fit else np.nan
                mended = moved_camera(camera, check.fit.motion) if check.fit else camera
                both = player_error_mm(camera, true), player_error_mm(mended, stands)
                yield Case(nudge, check, error2, seconds, both)


def _all_cases(numbers: range, part: float, seed: int) -> list[Case]:
    return list(cases(numbers, part, seed))


def wilson(hits: int, count: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson EB (1927), J Am Stat Assoc 22:209)."""
    z, p = 1.96, hits / count
    middle, half = p + z**2 / (2 * count), z * np.sqrt(p * (1 - p) / count + z**2 / (4 * count**2))
    return float((middle - half) / (1 + z**2 / count)), float((middle + half) / (1 + z**2 / count))


def main() -> None:
    """Print one line per nudge."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=100)
    parser.add_argument("--part", type=float, default=0.5)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--workers", type=int, default=1)
    asked = parser.parse_args()
    each = -(-asked.cases // asked.workers)
    numbers = [range(i, min(i + each, asked.cases)) for i in range(0, asked.cases, each)]
    with ProcessPoolExecutor(asked.workers) as pool:
        work = partial(_all_cases, part=asked.part, seed=asked.seed)
        found = [case for own in pool.map(work, numbers) for case in own]
    print(
        "nudge             called moved   95 % interval   cannot tell   turn error   shift error   e²/6   s"
        "     at the player"
    )
    for nudge in NUDGES:
        own = [c for c in found if c.nudge == nudge]
        moved, unknown = sum(c.check.moved is True for c in own), sum(c.check.moved is None for c in own)
        low, high = wilson(moved, len(own))
        turn = np.array([c.check.turn_deg for c in own]) - NUDGES[nudge][0]
        shift = np.array([c.check.shift_mm for c in own]) - NUDGES[nudge][1]
        before, after = np.sqrt(np.mean(np.square([c.player_mm for c in own]), axis=0))
        print(
            f"{nudge:17} {moved:4d} of {len(own):4d}   {100 * low:5.1f}-{100 * high:5.1f} %  {unknown:6d}"
            f"        {np.sqrt(np.mean(turn**2)):.4f} deg   {np.sqrt(np.mean(shift**2)):.2f} mm"
            f"       {np.nanmean([c.error2 for c in own]):.2f}   {np.median([c.seconds for c in own]):.1f}"
            f"   {before:.1f} -> {after:.1f} mm"
        )


if __name__ == "__main__":
    main()
