"""Does a lens that was measured once still hold for today's pictures? Judged by the court points clicked in
them.

A kept lens is right as long as nobody zooms, refocuses or changes the video mode. The clicks of one camera fix
its pose with something to spare, and that rest tells: a lens that fits, one that fits with another focal
length, one that fits with another focal length and centre, or none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

import numpy as np
from scipy.special import chdtrc

from calibration.checks import Array
from calibration.court.clicks import Click, first_pose, want_each
from calibration.court.fit import CourtOptions, CourtProblem, root_of
from calibration.court.misclicks import fit_without_misclicks
from calibration.errors import BadInput
from calibration.geometry.camera import N_CAMERA, N_LENS, Camera
from calibration.geometry.rigid import Rigid
from calibration.lens import LensCalibration

Use = Literal["kept", "focal", "focal and centre"]

FOCAL_U_LIMIT = 0.01
"""A focal length found anew from clicks with a larger relative uncertainty is flagged: 1 % is 8 cm in 8 m."""

_ASPECT_TOLERANCE = 0.005  # even sizes round the scaled picture's height by up to a pixel or two
_WIDE_FOCAL, _WIDE_CENTRE = (
    0.3,
    0.2,
)  # prior sd: as good as none
_STARTS = (1.0, 0.75, 1.35, 0.5, 2.0)  # focal scales from which the fit begins; it converges from ± 30 % off
# What an explanation costs in chi-square before it counts as better: a click left out must have been 6 sigma
# off (36); a free focal length must be 3.5 sigma off (12); two more for the centre, chance 1e-4 (18)
_CLICK_COST, _COST = 36.0, {"kept": 0.0, "focal": 12.0, "focal and centre": 30.0}
_OPENED: Mapping[Use, int] = MappingProxyType({"kept": 0, "focal": 1, "focal and centre": 3})
_LEAST_CHANCE = 1e-4  # an honest fit lies beyond this chi-square once in 10 000


@dataclass(frozen=True, slots=True, eq=False)
class LensUse:
    """How a camera's clicks take its lens.

    lens         with the focal length and centre that the clicks want (its own if kept), prior to the clicks
    camera       that lens at the pose its clicks give
    root         (12, R) how the lens may be off before the clicks: wide open where the clicks decide
    how          "kept", "focal", "focal and centre"
    fits         False where not even that explains the clicks
    focal_scale, focal_scale_u  focal length over the kept one, and its standard uncertainty
    centre_px    (2,) shift of the centre against the kept one
    chi2, freedom  of the fit that was chosen; kept_chi2 that of the kept lens with the same clicks or None
    score        chi2 plus what the explanation costs: lower explains better
    """

    lens: LensCalibration
    camera: Camera
    root: Array
    how: Use
    fits: bool
    focal_scale: float
    focal_scale_u: float
    centre_px: Array
    chi2: float
    freedom: int
    score: float

    def flag(self) -> str | None:
        """What a person should know, in a sentence; None where the kept lens fits."""
        name = self.lens.camera
        if not self.fits:
            return (
                f"{name}: the clicks do not fit its lens (chi-square {self.chi2:.0f}, about "
                f"{self.freedom} is usual), nor with another focal length or centre: another lens, a "
                "stabilised picture, or several wrong clicks; do not rely on this rig"
            )
        if self.how == "kept":
            return None
        change = f"{100 * (self.focal_scale - 1):+.1f} ± {200 * self.focal_scale_u:.1f} %"
        what = "refocused or zoomed"
        if self.how == "focal and centre":
            u, v = self.centre_px
            change += f", the centre moved by {u:+.0f}, {v:+.0f} px"
            what = "filmed in another crop or video mode"
        known = (
            "the new value is used; measure the lens again when you can"
            if self.focal_scale_u <= FOCAL_U_LIMIT
            else f"the clicks tell it to {100 * self.focal_scale_u:.1f} % only (u): do not rely on this rig, "
            "measure the lens again"
        )
        return f"{name}: {what} since its lens was measured: focal length {change}; {known}"


def lens_for_size(lens: LensCalibration, size_px: tuple[int, int]) -> LensCalibration:
    """The lens for pictures of another size that show the same field: scaled exactly, with a flag that says so.

    Pixel centres are at integers, so u' + 0.5 = s (u + 0.5). A size of another shape shows another field: it is
    taken as a crop around the middle without scaling, a start from which the clicks find the rest.
    Raises BadInput for a picture turned by 90 degrees.
    """
    (w0, h0), (w, h) = lens.size_px, size_px
    if (w, h) == (w0, h0):
        return lens
    if abs(h / w * w0 / h0 - 1) <= _ASPECT_TOLERANCE:
        scale = np.array([w / w0, h / h0])
        said = f"{lens.camera}: lens measured at {w0}x{h0}, used at {w}x{h}: scaled, the same field is assumed"
        return _scaled(lens, size_px, scale, np.zeros(2), said)
    if abs(w / h * w0 / h0 - 1) <= _ASPECT_TOLERANCE:
        raise BadInput(
            f"{lens.camera}: the picture is turned by 90 degrees: the lens was measured at {w0}x{h0}, this "
            f"is {w}x{h}; film both the same way up, or turn the picture back"
        )
    said = f"{lens.camera}: lens measured at {w0}x{h0}, used at {w}x{h}: another shape, taken as a crop"
    return _scaled(lens, size_px, np.ones(2), np.array([w - w0, h - h0]) / 2, said)


def _scaled(
    lens: LensCalibration, size_px: tuple[int, int], scale: Array, shift_px: Array, said: str
) -> LensCalibration:
    K = np.array(lens.K_px)
    K[[0, 1], [0, 1]] *= scale
    K[:2, 2] = scale * (K[:2, 2] + 0.5) - 0.5 + shift_px
    stretch = np.concatenate([scale, scale, np.ones(N_LENS - 4)])
    covariance = lens.covariance * np.outer(stretch, stretch)
    return replace(lens, size_px=size_px, K_px=K, covariance=covariance, flags=(*lens.flags, said))


def judge_lens(lens: LensCalibration, clicks: Sequence[Click], options: CourtOptions) -> LensUse:
    """The simplest explanation of one camera's clicks: the kept lens, another focal length, or another centre
    too.

    Each explanation is fitted on its own, without its misclicks, and has its price (_COST). With too few
    clicks to tell, the kept lens stands.
    Raises BadInput where the clicks do not place the camera at all.
    """
    own = tuple(c for c in clicks if c.camera == lens.camera)
    want_each([lens.as_camera()], own, [])
    found: list[LensUse] = []
    fault: BadInput | None = None
    for scale in _STARTS:
        try:
            found += _from_start(lens, own, options, scale)
        except BadInput as error:
            fault = fault or error
        if any(u.fits for u in found):  # a better start is only looked for while nothing explains the clicks
            break
    if not found:
        raise fault or BadInput(f"court clicks: no place of {lens.camera} fits its clicks")
    return min([u for u in found if u.fits] or found, key=lambda u: u.score)


def _from_start(
    lens: LensCalibration, clicks: tuple[Click, ...], options: CourtOptions, scale: float
) -> list[LensUse]:
    """All explanations that this many clicks can tell apart, with the focal length beginning at a scale.

    Raises BadInput where none can be fitted.
    """
    grown = np.concatenate([[scale, scale], np.ones(N_LENS - 2)])
    K = np.array(lens.K_px)
    K[[0, 1], [0, 1]] *= scale
    start = replace(lens, K_px=K, covariance=lens.covariance * np.outer(grown, grown))
    blank = start.as_camera(Rigid.identity(f"cam_{lens.camera}", "court"))
    placed = blank.placed(first_pose(blank, clicks))
    found: list[LensUse] = []
    fault: BadInput | None = None
    for how, opened in _OPENED.items():
        if (how == "kept" and scale != 1.0) or 2 * len(clicks) <= 6 + opened:
            continue
        try:
            found.append(_explained(lens, start, placed, clicks, options, how))
        except BadInput as error:
            fault = fault or error
    if not found and fault is not None:
        raise fault
    return found


def _explained(
    lens: LensCalibration, start: LensCalibration, placed: Camera, clicks: tuple[Click, ...],
    options: CourtOptions, how: Use,
) -> LensUse:  # fmt: skip
    root = opened_root(start, how)
    whole = np.zeros((N_CAMERA, root.shape[1]))
    whole[:N_LENS] = root
    problem = CourtProblem((placed,), whole, clicks, options, True, Rigid.identity("court", "court"))
    clean = fit_without_misclicks(problem)
    fit = clean.fit
    camera = fit.cameras[0]
    freedom = fit.freedom - _OPENED[how]
    wanted = replace(start, K_px=camera.K_px) if how != "kept" else lens
    left_out = len(clicks) - len(clean.used)
    chance = float(chdtrc(freedom, fit.chi2)) if freedom > 0 else 0.0
    return LensUse(
        wanted, camera, root, how, chance > _LEAST_CHANCE, float(camera.K_px[0, 0] / lens.K_px[0, 0]),
        float(np.sqrt(fit.covariance[0, 0]) / lens.K_px[0, 0]), camera.K_px[:2, 2] - lens.K_px[:2, 2], fit.chi2,
        freedom, fit.chi2 + _CLICK_COST * left_out + _COST[how],
    )  # fmt: skip


def opened_root(lens: LensCalibration, how: Use) -> Array:
    """(12, R) root of what is known of the lens beforehand, with focal length and centre opened as asked."""
    columns = [root_of(lens.covariance)]
    if how != "kept":
        focal = np.zeros((N_LENS, 1))
        focal[:2, 0] = _WIDE_FOCAL * np.diag(lens.K_px)[:2]
        columns.append(focal)
    if how == "focal and centre":
        columns.append(np.eye(N_LENS)[:, 2:4] * _WIDE_CENTRE * lens.size_px[0])
    return np.concatenate(columns, axis=1)
