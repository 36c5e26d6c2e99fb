"""How long the calibration takes: against Ceres, mrcal and OpenCV on the same corners, and as footage grows.

    python -m benchmarks.calibration_speed --machine "…" --date YYYY-MM-DD [--repeats 11]

Everything runs in this one run, on one thread, taking turns; medians of processor time are compared. Numba's
compiling is not in these times: it happens once per installation, and is measured by itself. Writes into
docs/evidence/calibration.md.
"""

from __future__ import annotations

import argparse
import ctypes
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import cv2
import llvmlite.binding
import numpy as np

from benchmarks import pages
from benchmarks.cost import board_cost
from benchmarks.ours import from_corners, problem_of, solved
from benchmarks.peers import with_mrcal, with_opencv
from benchmarks.peers.with_pycolmap import Colmap, python_with_pycolmap
from benchmarks.start import disturbed_truth
from benchmarks.world import Arrangement, World, make_world
from calibration.bundle import SolveOptions, solve_bundle
from calibration.bundle.points import ROBUST_SIGMAS
from calibration.geometry import Camera, Rigid

EQUAL_COST = 1e-6  # relative: costs closer than this count as the same minimum
TOLERANCES = (1e-6, 1e-7, 1e-8, 1e-9)
CERES_SOLVERS = ("DENSE_SCHUR", "SPARSE_SCHUR", "SPARSE_NORMAL_CHOLESKY")
BOARD_VIEWS = (50, 100, 200, 400)
PLAIN = SolveOptions(robust=False)
"""As OpenCV solves."""
LARGE = Arrangement(3, shared_views=40)

_Rig = tuple[tuple[Camera, ...], tuple[Rigid, ...]]


@dataclass(frozen=True, slots=True)
class Timed:
    """Median seconds, relative cost above the lowest of all (None: not compared), and what to say of it."""

    name: str
    seconds: float
    over: float | None
    said: str = ""


def main() -> None:
    _with_one_plain_thread()
    parser = pages.with_options(argparse.ArgumentParser(description=__doc__.splitlines()[0]))
    parser.add_argument("--repeats", type=int, default=11, help="turns per solver (default: %(default)s)")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    compile_s = compile_seconds()
    blocks = [
        same_start(options.repeats, robust=False),
        same_start(options.repeats, robust=True),
        from_scratch(max(3, options.repeats // 2)),
        scaling(options.repeats),
        f"Compiling, once per installation: {compile_s:.0f} s.",
        pages.circumstances(options, ("numpy", "scipy", "numba", "opencv-contrib-python")) + " " + processor(),
    ]
    text = "\n\n".join(blocks)
    print(text)
    pages.put(options.page, "speed", text)


def _with_one_plain_thread() -> None:
    """Starts again with one thread and the linear algebra's own choice of kernel, if that is not so yet."""
    wanted = {k: v for k, v in os.environ.items() if k not in {"OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE"}}
    wanted |= {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}
    if wanted != dict(os.environ):
        os.execve(sys.executable, [sys.executable, "-m", "benchmarks.calibration_speed", *sys.argv[1:]], wanted)


def processor() -> str:
    """What the compiled loops and the linear algebra take this processor for."""
    kernels = ", ".join(sorted(_blas_kernels())) or "not known"
    return f"Compiled for {llvmlite.binding.get_host_cpu_name()}; linear algebra: {kernels}; one thread."


def _blas_kernels() -> set[str]:
    """The kernels that the loaded OpenBLAS libraries have chosen (Linux; elsewhere nothing is found)."""
    maps = Path("/proc/self/maps")
    lines = maps.read_text().splitlines() if maps.exists() else []
    found = set()
    for path in {line.split()[-1] for line in lines if "openblas" in line}:
        library = ctypes.CDLL(path)
        for symbol in (
            "scipy_openblas_get_corename64_",
            "scipy_openblas_get_corename",
            "openblas_get_corename",
        ):
            if hasattr(library, symbol):
                named = getattr(library, symbol)
                named.restype = ctypes.c_char_p
                found.add(f"OpenBLAS {named().decode()}")
    return found


def compile_seconds() -> float:
    """First solve of a small problem with an empty cache, in a process of its own."""
    code = (
        "import time\n"
        "from benchmarks.ours import problem_of\nfrom benchmarks.start import disturbed_truth\n"
        "from benchmarks.world import Arrangement, make_world\nfrom calibration.bundle import solve_bundle\n"
        "world = make_world(Arrangement(2, 8, 8), 0)\nstarted = time.process_time()\n"
        "solve_bundle(problem_of(world), *disturbed_truth(world, 0))\nprint(time.process_time() - started)"
    )
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(
            [sys.executable, "-c", code], env=os.environ | {"NUMBA_CACHE_DIR": folder}, capture_output=True,
            text=True, check=True,
        )  # fmt: skip
    return float(done.stdout.split()[-1])


def in_turns(runs: Mapping[str, Callable[[], float]], repeats: int) -> dict[str, float]:
    """Median seconds of each, all taking turns, after one turn that does not count."""
    seconds: dict[str, list[float]] = {name: [] for name in runs}
    for turn in range(repeats + 1):
        for name, run in runs.items():
            took = run()
            if turn > 0:
                seconds[name].append(took)
    return {name: float(np.median(took)) for name, took in seconds.items()}


def same_start(repeats: int, *, robust: bool) -> str:
    """Same corners, same start, same sum: who reaches its minimum first."""
    world, start = make_world(LARGE, 0), disturbed_truth(make_world(LARGE, 0), 0)
    options = SolveOptions(robust=robust)
    sigma_px = solve_bundle(problem_of(world), *start, options).sigma_px
    rigs: dict[str, _Rig] = {}
    runs: dict[str, Callable[[], float]] = {}
    said: dict[str, str] = {}

    def ours() -> float:
        answer, solution = solved(problem_of(world), *start, options)
        rigs["courtplumb"] = (solution.cameras, solution.world_from_board)
        return answer.seconds

    runs["courtplumb"] = ours
    said["courtplumb"] = "noise estimated, covariance included"
    with ExitStack() as stack:
        python = python_with_pycolmap()
        if python:
            loss_px = ROBUST_SIGMAS * sigma_px if robust else 0.0
            colmap = stack.enter_context(Colmap(python, world, *start, loss_px))
            setting = _best_setting(colmap, world, sigma_px, robust)
            name = f"Ceres through pycolmap {colmap.version}"
            said[name] = f"stop at {setting[0]:g}, {setting[1].lower().replace('_', ' ')}, without covariance"

            def ceres() -> float:
                seconds, _ = colmap.solve(*setting)
                rigs[name] = colmap.answer()
                return seconds

            runs[name] = ceres
        mrcal = with_mrcal.python_with_mrcal()
        if mrcal and not robust:
            runs["mrcal"] = lambda: _by_mrcal(mrcal, world, start, rigs)
            said["mrcal"] = "own stop, without covariance"
        seconds = in_turns(runs, repeats)
    cost = {n: board_cost(world, *rig, sigma_px, ROBUST_SIGMAS if robust else None) for n, rig in rigs.items()}
    lowest = min(cost.values())
    timed = [Timed(n, s, cost[n] / lowest - 1, said[n]) for n, s in seconds.items()]
    kind = "Cauchy's robust sum" if robust else "Plain sum of squares"
    head = f"{kind}, same start (3 cameras, {len(world.camera)} pictures of {world.n_boards} board poses)"
    return _table(head, timed, "courtplumb")


def _by_mrcal(python: str, world: World, start: _Rig, rigs: dict[str, _Rig]) -> float:
    """The second of two solves in one process, so that its start-up does not count."""
    views = tuple(zip(world.camera.tolist(), world.board.tolist(), world.uv_px, strict=True))
    board = world.arrangement.board
    problem = with_mrcal.MrcalProblem(*start, views, board.columns, board.rows, board.square_m)
    found = with_mrcal.solve(python, [problem, problem])[1]
    rigs["mrcal"] = (found.answer.cameras, found.boards)
    return found.answer.seconds


def _best_setting(colmap: Colmap, world: World, sigma_px: float, robust: bool) -> tuple[float, str]:
    """Ceres' fastest linear solver and loosest stop that still reach the minimum."""
    tried = []
    for tolerance in TOLERANCES:
        for solver in CERES_SOLVERS:
            seconds = min(colmap.solve(tolerance, solver)[0] for _ in range(3))
            cost = board_cost(world, *colmap.answer(), sigma_px, ROBUST_SIGMAS if robust else None)
            tried.append((seconds, cost, tolerance, solver))
    lowest = min(cost for _, cost, _, _ in tried)
    _, _, tolerance, solver = min(t for t in tried if t[1] <= lowest * (1 + EQUAL_COST))
    return tolerance, solver


def _table(head: str, timed: list[Timed], reference: str) -> str:
    base = next(t.seconds for t in timed if t.name == reference)
    rows = []
    for t in timed:
        over = "–" if t.over is None else f"{t.over:.0e}" if t.over > 0 else "lowest"
        rows.append([t.name, f"{1e3 * t.seconds:.1f}", f"{t.seconds / base:.1f}", over, t.said])
    return pages.table([head, "ms", "× courtplumb", "cost over the lowest, relative", ""], rows)


def scaling(repeats: int) -> str:
    """Time against the number of board poses, half of them near a camera, half shared."""
    rows, total = [], []
    for n in BOARD_VIEWS:
        world = make_world(Arrangement(3, round(n / 6), n - 3 * round(n / 6)), 0)
        start, steps = disturbed_truth(world, 0), [0]

        def run(world: World = world, start: _Rig = start, steps: list[int] = steps) -> float:
            answer, solution = solved(problem_of(world), *start)
            steps[0] = solution.steps
            return answer.seconds

        seconds = in_turns({"": run}, repeats)[""]
        total.append(seconds)
        rows.append([str(n), str(len(world.camera)), f"{1e3 * seconds:.1f}", str(steps[0]),
                     f"{1e3 * seconds / steps[0]:.2f}", f"{1e6 * seconds / n:.0f}"])  # fmt: skip
    slope = np.polyfit(np.log(BOARD_VIEWS), np.log(total), 1)[0]
    heads = ["board poses", "pictures", "ms", "linearisations", "ms each", "µs per board pose"]
    return pages.table(heads, rows) + f"\n\nSlope of log time against log number: {slope:.2f}."


def _routes(world: World) -> dict[str, Callable[[], float]]:
    """Ways from corners alone to the rig; each gives its seconds."""
    corners = with_opencv.Corners.of(world)
    return {
        "courtplumb": lambda: from_corners(world)[0].seconds,
        "courtplumb, plain squares": lambda: from_corners(world, options=PLAIN)[0].seconds,
        "OpenCV: each lens, then pairs": lambda: with_opencv.lens_then_pairs(corners, refine=False).seconds,
        "OpenCV: all cameras at once": lambda: with_opencv.all_at_once(corners).seconds,
    }


def from_scratch(repeats: int) -> str:
    """From corners alone to the rig: closed-form start and joint fit, against OpenCV's routes."""
    heads, columns = [], []
    for arrangement in (Arrangement(2), Arrangement(3), LARGE):
        columns.append(in_turns(_routes(make_world(arrangement, 0)), repeats))
        heads.append(f"{arrangement.n_cameras} cameras, {arrangement.shared_views} shared: ms (× courtplumb)")
    rows = [
        [name, *(f"{1e3 * column[name]:.1f} ({column[name] / column['courtplumb']:.1f})" for column in columns)]
        for name in columns[0]
    ]
    return pages.table(["From corners alone", *heads], rows)


if __name__ == "__main__":
    main()
