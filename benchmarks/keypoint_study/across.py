"""Whether view errors learned from one scripted serve hold for athletes who serve the other."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from benchmarks.keypoint_study.errors import Residuals, errors_of
from benchmarks.keypoint_study.estimate import common_offsets
from benchmarks.keypoint_study.views import fit_views
from benchmarks.pages import table
from calibration.checks import Array
from demo_rigs.cast import Take
from recon.detector_study import PARTS, POSTURE, ViewErrors

_CAP = 0.05  # of the height: gross errors are the gate's business


def across_table(
    work: Path, build: Sequence[Take], held_out: Sequence[Take], mode: str, say: Callable[[str], object]
) -> str:
    """Errors left on held-out takes of each script, as shares of those before, by what was learned from."""
    learned = {t.name: (t.script, errors_of(work, t, mode)) for t in build}
    tested = {t.name: (t.script, errors_of(work, t, mode)[1]) for t in held_out}
    scripts = sorted({script for script, _ in learned.values()})
    rows = []
    for chosen in (scripts, *([s] for s in scripts)):
        offsets = [o for script, e in learned.values() if script in chosen for o in e[0]]
        residuals = [r for script, e in learned.values() if script in chosen for r in e[1]]
        means = common_offsets(offsets)
        errors = fit_views(residuals, means)
        cells = []
        for script in scripts:
            rest = [r for s, rows_ in tested.values() if s == script for r in rows_]
            before, after = (_size(rest, means, e) for e in (None, errors))
            cells.append(f"{after / before:.2f}")
        rows.append([" and ".join(chosen), *cells])
        say(f"learned from {rows[-1][0]}: {cells}")
    return table(
        ["learned from athletes of the building set who serve", *(f"left on {s}" for s in scripts)], rows
    )


def _size(residuals: Sequence[Residuals], means: dict[str, Array], errors: ViewErrors | None) -> float:
    """Root mean square of what is left in the pictures, shares of height, gross errors counting up to a cap."""
    squares = []
    for r in residuals:
        left = r.uv - r.by_offset @ means[r.part]
        if errors is not None:
            left = left - _foretold(errors, r)
        square = (left**2).sum(axis=1)
        squares.append(np.minimum(square[np.isfinite(square)], _CAP**2))
    return float(np.sqrt(np.mean(np.concatenate(squares)) / 2))


def _foretold(errors: ViewErrors, r: Residuals) -> Array:
    """(T, 2) the errors of a residual's point; its posture is already that of a right-hand point."""
    right = errors.right_side(r.posture.reshape(-1, len(POSTURE), 3)).errors[:, PARTS.index(r.part)]
    return np.asarray(right * [-1.0 if r.mirrored else 1.0, 1.0])
