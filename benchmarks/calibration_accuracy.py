"""How near the calibration comes to the truth, against OpenCV's routes and mrcal on the same corners.

    python -m benchmarks.calibration_accuracy --machine "…" --date YYYY-MM-DD [--seeds 15] [--draws 100]

Writes its tables into docs/evidence/calibration.md. The same numbers on every run: every recording is drawn
from its own seed. mrcal is left out, with the reason, where it is not installed (see peers/with_mrcal.py).
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import cv2
import numpy as np

from benchmarks import pages
from benchmarks.judge import (
    Answer,
    court_error_m,
    parameter_errors,
    player_grid_in_rig_m,
    predicted_rigid_error_m,
    rigid_error_m,
)
from benchmarks.ours import from_corners, problem_of, solved
from benchmarks.peers import with_mrcal, with_opencv
from benchmarks.start import disturbed_truth
from benchmarks.world import Arrangement, World, make_world
from calibration.bundle import SolveOptions
from calibration.checks import Array
from calibration.geometry.camera import N_CAMERA, PARAMETERS

SETS = {
    f"{n} cameras, {shared} shared": Arrangement(n, shared_views=shared) for n in (2, 3) for shared in (20, 40)
}
PLAIN = SolveOptions(robust=False)
PAIRS = "OpenCV: each lens, then pairs"
OPENCV: Mapping[str, Callable[[with_opencv.Corners], Answer]] = {
    PAIRS: lambda c: with_opencv.lens_then_pairs(c, refine=False),
    "OpenCV: the same, pairs refine the lenses": lambda c: with_opencv.lens_then_pairs(c, refine=True),
    "OpenCV: all cameras at once": with_opencv.all_at_once,
    "OpenCV: the same, tighter stop": lambda c: with_opencv.all_at_once(c, tight=True),
}
MRCAL = "mrcal"
OURS, OURS_PLAIN = "**courtplumb**", "courtplumb, plain squares"
KINDS = {
    "focal length": ("fx_px", "fy_px"),
    "centre": ("cx_px", "cy_px"),
    "lens terms": ("d1", "d2", "d3", "d4"),
    "turn": ("rx_rad", "ry_rad", "rz_rad"),
    "place": ("tx_m", "ty_m", "tz_m"),
}


def main() -> None:
    parser = pages.with_options(argparse.ArgumentParser(description=__doc__.splitlines()[0]))
    parser.add_argument("--seeds", type=int, default=15, help="recordings per row (default: %(default)s)")
    parser.add_argument(
        "--draws", type=int, default=100, help="recordings for the covariance (default: %(default)s)"
    )
    options = parser.parse_args()
    cv2.setNumThreads(1)
    python = with_mrcal.python_with_mrcal()
    said = pages.circumstances(options, ("numpy", "numba", "opencv-contrib-python"))
    said += f" {options.seeds} recordings per row." + (
        "" if python else " mrcal was not installed: its rows are absent."
    )
    blocks = {
        "accuracy": accuracy_table(options.seeds, python),
        "bow": bow_table(options.seeds, python),
        "court": court_table(options.seeds),
        "covariance": covariance_table(options.draws),
    }
    for name, text in blocks.items():
        print(f"\n{name}\n{text}", flush=True)
        pages.put(options.page, name, f"{text}\n\n{said}")


def accuracy_table(seeds: int, python: str | None) -> str:
    """Rigid error of every route on every set, and its ratio to the best of OpenCV's."""
    scores = {name: _scores(arrangement, seeds, python) for name, arrangement in SETS.items()}
    best = {name: min(_rms(s[route]) for route in OPENCV) for name, s in scores.items()}
    routes = [r for r in next(iter(scores.values()))]
    rows = [[route, *(_cell(scores[name][route], best[name]) for name in SETS)] for route in routes]
    return pages.table(["3D error in mm: rms (95th percentile), × best of OpenCV", *SETS], rows)


def _cell(errors_m: Array, reference_m: float) -> str:
    p95 = 1e3 * float(np.percentile(errors_m, 95))
    return f"{1e3 * _rms(errors_m):.2f} ({p95:.2f}), × {_rms(errors_m) / reference_m:.2f}"


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def _scores(arrangement: Arrangement, seeds: int, python: str | None) -> dict[str, Array]:
    worlds = [make_world(arrangement, seed) for seed in range(seeds)]
    answers: dict[str, list[Answer]] = {route: [] for route in OPENCV}
    for world in worlds:
        corners = with_opencv.Corners.of(world)
        for route, run in OPENCV.items():
            answers[route].append(run(corners))
    if python:
        answers[MRCAL] = _by_mrcal(python, worlds, bow=False)
    answers[OURS_PLAIN] = [from_corners(world, options=PLAIN)[0] for world in worlds]
    answers[OURS] = [from_corners(world)[0] for world in worlds]
    return {
        route: np.array([rigid_error_m(w, a.cameras) for w, a in zip(worlds, found, strict=True)])
        for route, found in answers.items()
    }


def _by_mrcal(python: str, worlds: Sequence[World], *, bow: bool) -> list[Answer]:
    problems = []
    for seed, world in enumerate(worlds):
        cameras, boards = disturbed_truth(world, seed)
        views = tuple(zip(world.camera.tolist(), world.board.tolist(), world.uv_px, strict=True))
        board = world.arrangement.board
        problems.append(
            with_mrcal.MrcalProblem(cameras, boards, views, board.columns, board.rows, board.square_m, bow=bow)
        )
    return [found.answer for found in with_mrcal.solve(python, problems)]


def bow_table(seeds: int, python: str | None) -> str:
    """A board that is bowed by 3 mm, told to no solver."""
    columns, heads = [], []
    for n in (2, 3):
        arrangement = Arrangement(n, bow_m=0.003)
        worlds = [make_world(arrangement, seed) for seed in range(seeds)]
        answers = {
            PAIRS: [OPENCV[PAIRS](with_opencv.Corners.of(w)) for w in worlds],
            "courtplumb, board taken as flat": [from_corners(w)[0] for w in worlds],
        }  # fmt: skip
        if python:
            answers["mrcal, board may bow"] = _by_mrcal(python, worlds, bow=True)
        answers["**courtplumb, board may bow**"] = [from_corners(w, bow=True)[0] for w in worlds]
        flat = [make_world(replace(arrangement, bow_m=0.0), seed) for seed in range(seeds)]
        answers["courtplumb, flat board that may bow"] = [from_corners(w, bow=True)[0] for w in flat]
        columns.append({route: _bow_cells(worlds, found) for route, found in answers.items()})
        heads += [f"{n} cameras: 3D error, mm", "focal length off, px"]
    rows = [[route, *(cell for column in columns for cell in column[route])] for route in columns[0]]
    return pages.table(["board with 3 mm bow", *heads], rows)


def _bow_cells(worlds: Sequence[World], answers: Sequence[Answer]) -> list[str]:
    errors = np.array([rigid_error_m(w, a.cameras) for w, a in zip(worlds, answers, strict=True)])
    focal = [
        (e.K_px - t.K_px)[[0, 1], [0, 1]]
        for w, a in zip(worlds, answers, strict=True)
        for e, t in zip(a.cameras, w.cameras, strict=True)
    ]
    return [
        f"{1e3 * _rms(errors):.2f} ({1e3 * float(np.percentile(errors, 95)):.2f})",
        f"{_rms(np.array(focal)):.2f}",
    ]


def court_table(seeds: int) -> str:
    """Clicked court points in the same fit: the error of shape, and of place in the court."""
    rows = []
    for text, arrangement in (
        ("board alone", Arrangement()),
        ("and court, clicks 0.3 px, paint exact", Arrangement(court_px=0.3)),
        ("and court, clicks 0.5 px, paint 5 mm", Arrangement(court_px=0.5, court_m=0.005)),
        ("and court, clicks 1 px, paint 10 mm", Arrangement(court_px=1.0, court_m=0.01)),
        ("no shared board, court 0.5 px, 5 mm", Arrangement(court_px=0.5, court_m=0.005, shared_views=0)),
    ):
        cells = [text]
        for n in (2, 3):
            shape, place = [], []
            for seed in range(seeds):
                world = make_world(replace(arrangement, n_cameras=n), seed)
                court = bool(world.court)
                answer, solution = solved(
                    problem_of(world, court=court, seed=seed), *disturbed_truth(world, seed)
                )
                shape.append(rigid_error_m(world, answer.cameras))
                if solution.rig_from_court is not None:
                    place.append(court_error_m(world, answer.cameras, solution.rig_from_court))
            cells += [
                f"{1e3 * _rms(np.array(shape)):.2f}",
                f"{1e3 * _rms(np.array(place)):.1f}" if place else "–",
            ]
        rows.append(cells)
    heads = [h for n in (2, 3) for h in (f"{n} cameras: shape, mm", "place in the court, mm")]
    return pages.table(["3D error, rms", *heads], rows)


def covariance_table(draws: int) -> str:
    """What the covariance predicts, against the scatter over many recordings."""
    rows = []
    for text, arrangement, options in (
        ("2 cameras, 20 shared", Arrangement(2), None),
        ("3 cameras, 20 shared", Arrangement(3), None),
        ("3 cameras, 20 shared, plain squares", Arrangement(3), PLAIN),
        ("3 cameras, 20 shared, board may bow (3 mm)", Arrangement(3, bow_m=0.003), None),
    ):
        rows.append([text, *_covariance_cells(arrangement, draws, options)])
    heads = ["3D error: predicted / observed", *KINDS, "all, squared"]
    return pages.table(["rms of error / u; 1 is honest", *heads], rows)


def _covariance_cells(arrangement: Arrangement, draws: int, options: SolveOptions | None) -> list[str]:
    observed, predicted, z, squared = [], [], [], []
    for seed in range(draws):
        world = make_world(arrangement, 1000 + seed)
        answer, _ = from_corners(world, bow=arrangement.bow_m > 0, options=options)
        covariance = answer.covariance
        assert covariance is not None
        observed.append(rigid_error_m(world, answer.cameras))
        predicted.append(predicted_rigid_error_m(answer.cameras, covariance, player_grid_in_rig_m(world)))
        error, u = parameter_errors(answer.cameras, world.cameras), np.sqrt(np.diag(covariance))
        live = u > 1e-8
        z.append(np.where(live, error / np.where(live, u, 1), np.nan))
        squared.append(error[live] @ np.linalg.solve(covariance[np.ix_(live, live)], error[live]) / live.sum())
    names = np.tile(PARAMETERS, len(z[0]) // N_CAMERA)
    kinds = [np.array(z)[:, np.isin(names, kind)] for kind in KINDS.values()]
    cells = [f"{np.sqrt(np.nanmean(k**2)):.2f}" for k in kinds]
    return [f"{_rms(np.array(predicted)) / _rms(np.array(observed)):.2f}", *cells, f"{np.mean(squared):.3f}"]


if __name__ == "__main__":
    main()
