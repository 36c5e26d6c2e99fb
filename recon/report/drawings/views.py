"""From where a drawing is seen, with the ground and the lines that belong there."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from calibration.court.model import BASELINE_WIDTH_M
from recon.body import unit
from recon.report.drawings.pose import Pose
from recon.report.svg import FAINT, INK, Drawing, View
from recon.scene import palette

X, Y, Z = np.eye(3)
_FAR_M = 9.0

SIDE = "seen from the side, the net to the right"
BEHIND = "seen from behind the server"
ABOVE = "seen from above, the net upwards"
SQUARE = "seen square to the distance"


def side() -> Drawing:
    """Towards the net is to the right: the ground and the baseline with its rear edge at 0."""
    drawing = Drawing(View(np.zeros(3), Y, Z))
    drawing.flat_line(np.array([[-2.0, 0.0], [3.0, 0.0]]), FAINT, 1.5)
    line = np.array([[0.0, -0.035], [BASELINE_WIDTH_M, -0.035], [BASELINE_WIDTH_M, 0.0], [0.0, 0.0]])
    drawing.patch(line, INK, 0.85)
    return drawing


def behind() -> Drawing:
    """The net is ahead: the ground."""
    drawing = Drawing(View(np.zeros(3), X, Z))
    drawing.flat_line(np.array([[-_FAR_M, 0.0], [_FAR_M, 0.0]]), FAINT, 1.5)
    return drawing


def above() -> Drawing:
    """The net is upwards: the baseline and its rear edge."""
    drawing = Drawing(View(np.zeros(3), X, Y))
    x, w = _FAR_M, BASELINE_WIDTH_M
    drawing.patch(np.array([[-x, 0.0], [x, 0.0], [x, w], [-x, w]]), palette.GREY, 0.28)
    drawing.flat_line(np.array([[-x, 0.0], [x, 0.0]]), INK, 1.4)
    return drawing


def with_baseline(drawing: Drawing, near: Array) -> None:
    """Names the baseline near a point of a drawing from above, and has it in the frame."""
    drawing.flat_line(np.array([near, [near[0], -0.03], [near[0], 0.16]]), FAINT, 0.01, keep=True)
    drawing.words(np.array([near[0] - 0.05, BASELINE_WIDTH_M / 2]), "baseline", shift_px=(0, 4))


def plane_of(a: Array, corner: Array, b: Array) -> View | None:
    """The plane through three points, turned so that up in the drawing is as upright as can be.

    None where they lie on a line, or one is absent.
    """
    normal = np.cross(a - corner, b - corner)
    length = float(np.linalg.norm(normal))
    if not length > 1e-4:
        return None
    normal = normal / length
    up = Z - (Z @ normal) * normal
    if float(np.linalg.norm(up)) < 0.1:
        up = (a - corner) - ((a - corner) @ normal) * normal
    up = unit(up)
    return View(corner, np.cross(up, normal), up)


def heading(pose: Pose) -> tuple[Array, Array]:
    """((3,) level, where the chest faces, (3,) level, to the hitting side) as the measures of lean have it."""
    to_side = unit(pose.line("shoulder") * [1.0, 1.0, 0.0])
    return pose.h * np.cross(Z, to_side), to_side
