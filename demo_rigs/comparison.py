"""Measured against true: the rows of comparison.csv, the rig's own error, and the goals of this stage."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calibration import SERVE_VOLUME, Camera, Rigid, load_rig
from calibration.court.uncertainty import sees
from demo_rigs.true_measures import true_measures
from recon.agreement import Comparison, compare
from recon.records import Measure, MeasureSet
from recon.result import Result, load_result
from recon.store import write_whole
from recon.triangulate import TriangulateOptions, triangulate

_PEOPLE = {
    "m": ("m", 1.0), "rad": ("deg", 180 / math.pi), "s": ("s", 1.0), "1": ("1", 1.0), "m/s": ("m/s", 1.0),
    "rad/s": ("deg/s", 180 / math.pi),
}  # fmt: skip
_SCENE_GRAVITY_M_S2 = 9.81


def compare_session(serve: str, session: Path, truth: Path) -> list[Comparison]:
    """All measures of a measured session beside the truth of its serve, angles in degrees; clocks and the
    toss's gravity too."""
    result = load_result(session)
    true = true_measures(truth / f"{serve}.nc")
    checks, true_checks = _checks(result, serve, _read(truth / "cameras.json"))
    everything = MeasureSet((*result.measures.measures, *checks))
    return [_for_people(c) for c in compare(serve, len(result.rig.cameras), everything, true | true_checks)]


def _for_people(c: Comparison) -> Comparison:
    unit, k = _PEOPLE[c.unit]
    measured, u, low, high, truth = (
        None if v is None else v * k for v in (c.measured, c.u, c.low95, c.high95, c.truth)
    )
    unit = "m/s2" if c.measure == "toss_gravity" else unit
    return Comparison(c.serve, c.cameras, c.measure, unit, measured, u, low, high, truth)


def _checks(
    result: Result, serve: str, cameras: dict[str, Any]
) -> tuple[list[Measure], dict[str, float | None]]:
    """Clock offsets and fitted gravity as if they were measures."""
    clips = cameras["clips"][serve]
    reference = clips[result.clocks.reference]["offset_s"]
    found, true = [], {}
    for clock in result.clocks.clocks:
        if clock.camera != result.clocks.reference:
            name = f"clock_{clock.camera}"
            found.append(_interval(name, "s", clock.offset_s, clock.u_s))
            true[name] = clips[clock.camera]["offset_s"] - reference
    if result.flight is not None:
        found.append(_interval("toss_gravity", "1", result.flight.gravity_m_s2, result.flight.u_gravity_m_s2))
        true["toss_gravity"] = _SCENE_GRAVITY_M_S2
    return found, true


def _interval(name: str, unit: str, value: float, u: float) -> Measure:
    return Measure(name, name, unit, value, u, value - 1.96 * u, value + 1.96 * u)


def write_comparison(path: Path, rows: Sequence[Comparison]) -> None:
    """comparison.csv, whole or not at all."""
    names = ["serve", "cameras", "measure", "unit", "measured", "u", "low95", "high95", "truth", "error"]
    table = pd.DataFrame([{n: getattr(row, n) for n in names} for row in rows], columns=names)
    write_whole(path, lambda part: table.to_csv(part, index=False, float_format="%.6g"))


def table_lines(rows: Sequence[Comparison]) -> Iterator[str]:
    """The comparison as plain text, in cm, degrees and milliseconds."""
    heads = f"{'measured':>10}{'u':>8}{'truth':>10}{'error':>9}"
    yield f"\n{'serve':<20}{'cams':>5}  {'measure':<40}{heads}  in 95 %"
    for r in rows:
        unit, k = {"m": ("cm", 100.0), "s": ("ms", 1000.0)}.get(r.unit, (r.unit, 1.0))
        fields = [("–" if v is None else f"{v * k:.1f}") for v in (r.measured, r.u, r.truth, r.error)]
        held = {True: "yes", False: "NO", None: "–"}[r.holds]
        numbers = f"{fields[0]:>10}{fields[1]:>8}{fields[2]:>10}{fields[3]:>9}"
        yield f"{r.serve:<20}{r.cameras:>5}  {r.measure:<40}{numbers}  {held:<4} {unit}"


def rig_error_m(rig_folder: Path, cameras: Path) -> tuple[float, float]:
    """Worst and typical (root mean square) error of a point in the serve volume, metres.

    The point's true pixels, without noise, are triangulated with the calibrated rig: what is left is the
    calibration's own error, court frame included.
    """
    rig = load_rig(rig_folder / "derived" / "calibrated_rig.json")
    grid = SERVE_VOLUME.grid_m()
    pixels = np.stack([_seen(true_camera(camera.name, _read(cameras)), grid) for camera in rig.cameras], axis=1)
    sigma = np.where(np.isnan(pixels[..., 0]), np.nan, 1.0)
    # no view is voted out: a camera that stands wrong has to show
    found = triangulate(rig.cameras, pixels, sigma, TriangulateOptions(gate_sigma=1e6))
    error = np.linalg.norm(found.xyz_m - grid, axis=1)[(~np.isnan(sigma)).sum(axis=1) >= 2]
    return float(np.max(error)), float(np.sqrt(np.mean(error**2)))


def true_camera(name: str, cameras: dict[str, Any]) -> Camera:
    """A camera of the scene as the renderer used it."""
    c = cameras["cameras"][name]
    pose = Rigid(np.array(c["R_cam_from_court"]), np.array(c["t_cam_from_court_m"]), f"cam_{name}", "court")
    width, height = c["size_px"]
    return Camera(name, (width, height), np.array(c["K_px"]), np.array(c["distortion"]), pose)


def _seen(camera: Camera, points: np.ndarray) -> np.ndarray:
    uv = camera.project(points)
    inside = np.array([sees(camera, row) for row in uv])
    return np.where(inside[:, None], uv, np.nan)


def _read(path: Path) -> dict[str, Any]:
    return dict(json.loads(path.read_text(encoding="utf-8")))


_GOALS = (
    ("hip past the baseline", "m", 0.040, ("hip_past_baseline_max",)),
    ("front-foot turn", "deg", 6.0, ("front_foot_turn",)),
    ("spine-plane crossing", "m", 0.030, ("spine_plane_min",)),
    (
        "knees and elbow",
        "deg",
        10.0,
        (
            "elbow_angle_trophy",
            "front_knee_flexion_trophy",
            "back_knee_flexion_trophy",
            "front_knee_flexion_deepest",
            "back_knee_flexion_deepest",
        ),
    ),
)


def goals(rows: Sequence[Comparison], rig_worst_m: float) -> Iterator[str]:
    """One line per goal: what was asked with three cameras and what was reached, whatever it is."""
    three = [r for r in rows if r.cameras == 3]
    for label, unit, limit, names in _GOALS:
        errors = [(abs(r.error), r) for r in three if r.measure in names and r.error is not None]
        lacking = [r for r in three if r.measure in names and r.error is None]
        shown, k = ("mm", 1000.0) if unit == "m" else (unit, 1.0)
        if not errors:
            yield f"goal {label}: not measured"
            continue
        worst, row = max(errors, key=lambda pair: pair[0])
        reached = worst <= limit and not lacking
        yield (
            f"goal {label} within {limit * k:g} {shown}: {_word(reached)}, worst "
            f"{worst * k:.1f} {shown} ({row.serve}, {row.measure}); {len(lacking)} not measured"
        )
    clocks = [abs(r.error) for r in three if r.measure.startswith("clock_") and r.error is not None]
    if clocks:
        yield f"goal clocks within 1 ms: {_word(max(clocks) <= 1e-3)}, worst {1e3 * max(clocks):.2f} ms"
    yield f"goal rig within 5 mm: {_word(rig_worst_m <= 0.005)}, worst {1e3 * rig_worst_m:.1f} mm"
    held = [r.holds for r in rows if r.holds is not None]
    share = sum(held) / max(len(held), 1)
    yield f"goal truth in the 95 % interval in 90 % of rows: {_word(share >= 0.9)}, {share:.0%} of {len(held)}"


def _word(reached: bool) -> str:
    return "reached" if reached else "MISSED"
