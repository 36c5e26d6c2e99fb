"""Accuracy on held-out rendered athletes, from pixels to joint centres, into docs/evidence.

python -m benchmarks.athlete_accuracy --work FOLDER --machine … --date …; the folder is that of
benchmarks.keypoint_study, whose held-out set must have been rendered.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from benchmarks.keypoint_study.__main__ import takes_of
from benchmarks.keypoint_study.accuracy import LIMBS, Accuracy, Way, limb_misses, measure_take
from benchmarks.keypoint_study.detect import MODES
from benchmarks.pages import circumstances, put, table, with_options
from calibration.checks import Array

PAGE = Path(__file__).resolve().parent.parent / "docs" / "evidence" / "reconstruction-athletes.md"
WAYS = {
    "3 cameras": Way(),
    "2 cameras": Way(cameras=2),
    "3 cameras, even weights": Way(weights=False),
    "3 cameras, with view errors": Way(views=False),
    "3 cameras, as detected": Way(corrected=False),
}
GOALS_MM = {"3 cameras": (12.0, 20.0), "2 cameras": (17.0, 30.0)}  # median and root mean square
ANGLE_GOALS_DEG = {"knee": 3.0, "elbow": 5.0, "front foot": 5.0}
OTHER_PARTS = ("heel", "toe", "nose", "eye", "ear", "thumb", "index", "pinky")
Found = dict[str, list[Accuracy]]


def text(found: Found, mode: str) -> str:
    """All tables of one mode."""
    return "\n\n".join(
        [f"### Mode: {mode}", _ways(found), _goals(found), _per_part(found), _per_athlete(found)]
    )


def _middle_and_rms(miss_m: Array) -> list[str]:
    mm = 1e3 * miss_m[~np.isnan(miss_m)]
    return [f"{np.median(mm):.1f}", f"{np.sqrt(np.mean(mm**2)):.1f}", f"{np.percentile(mm, 95):.0f}"]


def _ways(found: Found) -> str:
    rows = []
    for way, accuracies in found.items():
        miss = limb_misses(accuracies)
        z = np.concatenate([a.in_u.reshape(-1, 3) for a in accuracies])
        held = np.mean(np.abs(z[np.isfinite(z)]) <= 1.96)
        absent = f"{100 * np.isnan(miss).mean():.1f} %"
        told = f"{100 * held:.0f} %" if WAYS[way].corrected else "–"
        rows.append([way, *_middle_and_rms(miss), absent, told])
    head = [
        "limb joints",
        "median, mm",
        "RMS, mm",
        "95th percentile, mm",
        "absent",
        "axes of all body points in the 95 % interval",
    ]
    return table(head, rows)


def _goals(found: Found) -> str:
    rows = []
    for way, (middle, rms) in GOALS_MM.items():
        miss = limb_misses(found[way])
        reached = [1e3 * float(np.nanmedian(miss)), 1e3 * float(np.sqrt(np.nanmean(miss**2)))]
        rows.append(_goal(f"limb joints, {way}: median", middle, reached[0], "mm"))
        rows.append(_goal(f"limb joints, {way}: RMS", rms, reached[1], "mm"))
    even, weighted = (np.nanmean(limb_misses(found[w]) ** 2) for w in ("3 cameras, even weights", "3 cameras"))
    gain = 100 * (1 - float(np.sqrt(weighted / even)))
    rows.append(["RMS lower by weights, 3 cameras", "≥ 15 %", f"{gain:.0f} %", _word(gain >= 15)])
    missed = max(a.missed for a in found["3 cameras"])
    rows.append(["pictures without a person found", "0 %", f"{100 * missed:.1f} %", _word(missed == 0)])
    for name, goal in ANGLE_GOALS_DEG.items():
        errors = np.degrees(np.abs(np.concatenate([a.angles_rad[name] for a in found["3 cameras"]])))
        rows.append(_goal(f"{name}, 3 cameras: median error", goal, float(np.nanmedian(errors)), "°"))
    return table(["goal", "wanted", "reached", ""], rows)


def _goal(what: str, goal: float, reached: float, unit: str) -> list[str]:
    return [what, f"≤ {goal:g} {unit}", f"{reached:.1f} {unit}", _word(reached <= goal)]


def _word(reached: bool) -> str:
    return "reached" if reached else "missed"


def _per_part(found: Found) -> str:
    ways = ("3 cameras", "3 cameras, as detected", "2 cameras")
    rows = []
    for part in (*LIMBS, *OTHER_PARTS):
        cells = [" / ".join(_middle_and_rms(limb_misses(found[way], [part]))[:2]) for way in ways]
        rows.append([part, *cells])
    return table(["median / RMS, mm", *ways], rows)


def _per_athlete(found: Found) -> str:
    three, two = found["3 cameras"], found["2 cameras"]
    rows = []
    for athlete in dict.fromkeys(a.athlete for a in three):
        own = [[a for a in which if a.athlete == athlete] for which in (three, two)]
        cells = [" / ".join(_middle_and_rms(limb_misses(some))[:2]) for some in own]
        angles = [_middle_deg(own[0], name) for name in ANGLE_GOALS_DEG]
        rows.append([athlete, *cells, *angles])
    return table(["median / RMS, mm", "3 cameras", "2 cameras", *(f"{n}, °" for n in ANGLE_GOALS_DEG)], rows)


def _middle_deg(some: Sequence[Accuracy], name: str) -> str:
    errors = np.abs(np.concatenate([a.angles_rad[name] for a in some]))
    return f"{np.degrees(np.nanmedian(errors)):.1f}" if np.isfinite(errors).any() else "–"


def run(work: Path, mode: str, say: Callable[[str], object]) -> Found:
    """Every held-out take, measured in every way."""
    takes = takes_of("held_out")
    found: Found = {}
    for name, way in WAYS.items():
        found[name] = [measure_take(work, take, mode, way) for take in takes]
        say(f"{mode}, {name}: {_middle_and_rms(limb_misses(found[name]))}")
    return found


def main() -> None:
    """Runs the modes asked for and writes each one's block of the page."""
    parser = with_options(
        argparse.ArgumentParser(prog="python -m benchmarks.athlete_accuracy", description=__doc__)
    )
    parser.set_defaults(page=PAGE)
    parser.add_argument("--work", type=Path, required=True, help="folder of clips and detections")
    parser.add_argument("--mode", choices=MODES, nargs="*", default=list(MODES), help="of the detector")
    options = parser.parse_args()
    for mode in options.mode:
        tables = text(run(options.work, mode, print), mode)
        told = circumstances(options, ("mediapipe", "numpy", "scipy", "vtk"))
        put(options.page, f"held-out athletes, {mode}", f"{told}\n\n{tables}")


if __name__ == "__main__":
    main()
