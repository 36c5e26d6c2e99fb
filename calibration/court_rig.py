"""A rig placed by court points alone: lenses measured once and kept, today's poses from today's clicks.

No board is carried about. What ties the cameras to each other is the court itself, which they all see; so the
result rests on how well its lines lie, and says so in its covariance.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from calibration.calibrated_rig import CalibratedRig
from calibration.checks import Array
from calibration.court.clicks import WANTED_EACH, Click, check_clicks, want_each
from calibration.court.fit import CourtOptions, CourtProblem
from calibration.court.misclicks import fit_without_misclicks
from calibration.court.model import SERVE_VOLUME
from calibration.court.registration import court_check
from calibration.court.uncertainty import u_over_volume
from calibration.errors import BadInput
from calibration.geometry.camera import N_CAMERA, N_LENS, Camera
from calibration.geometry.rigid import Rigid
from calibration.kept_lens import LensUse, judge_lens
from calibration.lens import LensCalibration
from calibration.provenance import Provenance

_UPSIDE_DOWN = 0.7  # upward part of the picture's downward axis: turned by more than 135 degrees


def place_by_court(
    name: str,
    lenses: Sequence[LensCalibration],
    clicks: Sequence[Click],
    provenance: Provenance,
    options: CourtOptions | None = None,
) -> CalibratedRig:
    """The rig in the court frame from lens calibrations (for the pictures' size) and clicks in every camera.

    Maximum likelihood over clicks, poses, lenses (their covariance is the prior) and the points' errors, which
    all cameras share; the covariance holds all of them. A lens that today's clicks contradict is refitted in
    focal length or centre, and flagged. A click that contradicts all others is left out and named in the flags.
    Raises BadInput where a camera has too few clicks, where clicks contradict each other, or where pictures are
    mirrored or exchanged between cameras.
    """
    options = options or CourtOptions()
    blank = tuple(lens.as_camera(Rigid.identity(f"cam_{lens.camera}", "court")) for lens in lenses)
    n = N_CAMERA * len(lenses)
    want_each(blank, clicks, [])
    check_clicks(CalibratedRig(name, "court", blank, np.zeros((n, n)), provenance), clicks)
    uses = [_judged(lens, clicks, options) for lens in lenses]
    _want_own_pictures(lenses, uses, clicks, options)
    cameras = tuple(u.lens.as_camera(u.camera.cam_from_world) for u in uses)
    problem = CourtProblem(
        cameras, _joint_root(uses), tuple(clicks), options, True, Rigid.identity("court", "court")
    )
    clean = fit_without_misclicks(problem)
    covariance = (clean.fit.covariance + clean.fit.covariance.T) / 2
    check, found = court_check(clean.fit.cameras, covariance, clicks, clean, None)
    flags = [f for lens in lenses for f in lens.flags]
    flags += [f for f in (u.flag() for u in uses) if f is not None]
    flags += [f for f in map(_head_down, clean.fit.cameras) if f is not None]
    return CalibratedRig(
        name, "court", clean.fit.cameras, covariance, provenance, flags=(*flags, *found), court=check
    )


def _joint_root(uses: Sequence[LensUse]) -> Array:
    """(18 N, R): each camera's lens root in its own rows and columns; poses have none."""
    parts = [u.root for u in uses]
    out = np.zeros((N_CAMERA * len(parts), sum(p.shape[1] for p in parts)))
    column = 0
    for i, p in enumerate(parts):
        out[N_CAMERA * i : N_CAMERA * i + N_LENS, column : column + p.shape[1]] = p
        column += p.shape[1]
    return out


def _judged(lens: LensCalibration, clicks: Sequence[Click], options: CourtOptions) -> LensUse:
    """The lens against its clicks. Raises BadInput for a mirrored picture."""
    own = [c for c in clicks if c.camera == lens.camera]
    try:
        use = judge_lens(lens, own, options)
    except BadInput as error:
        _want_not_mirrored(lens, own, options, error)
        raise
    # a mirror turns the view of a plane from above into one from below, so painted points alone fit as well
    if use.camera.centre_m()[2] < 0:
        raise BadInput(_mirrored(lens.camera))
    if not use.fits:
        _want_not_mirrored(lens, own, options, None)
    return use


def _want_not_mirrored(
    lens: LensCalibration, own: Sequence[Click], options: CourtOptions, cause: BadInput | None
) -> None:
    flipped = [replace(c, uv_px=np.array([lens.size_px[0] - 1 - c.uv_px[0], c.uv_px[1]])) for c in own]
    try:
        use = judge_lens(lens, flipped, options)
    except BadInput:
        return
    if use.fits and use.camera.centre_m()[2] > 0:
        raise BadInput(_mirrored(lens.camera)) from cause


def _mirrored(camera: str) -> str:
    return (
        f"court clicks: {camera} sees the court mirrored: the picture is mirrored, or left and right were "
        "exchanged in the names of its points (left and right are the server's, facing the net)"
    )


def _want_own_pictures(
    lenses: Sequence[LensCalibration], uses: Sequence[LensUse], clicks: Sequence[Click], options: CourtOptions
) -> None:
    """Raises BadInput where two cameras' clicks contradict their own lenses and fit each other's."""
    better: dict[str, set[str]] = {}
    for lens, use in zip(lenses, uses, strict=True):
        if use.how == "kept" and use.fits:
            continue
        own = [c for c in clicks if c.camera == lens.camera]
        for other in lenses:
            if other is lens or other.size_px != lens.size_px:
                continue
            try:
                swapped = judge_lens(replace(other, camera=lens.camera), own, options)
            except BadInput:
                continue
            if swapped.fits and swapped.how == "kept" and swapped.score < use.score:
                better.setdefault(lens.camera, set()).add(other.camera)
    for a, fitting in better.items():
        for b in fitting:
            if a in better.get(b, ()):
                raise BadInput(
                    f"court clicks: the pictures of {a} and {b} are exchanged: the clicks of each fit the "
                    "other's lens, not its own; exchange their files"
                )


def _head_down(camera: Camera) -> str | None:
    if camera.cam_from_world.R[1, 2] < _UPSIDE_DOWN:
        return None
    return f"{camera.name}: its picture stands on its head (turned by 180 degrees)"


def player_u_m(rig: CalibratedRig) -> tuple[float, float] | None:
    """Typical (root mean square) and largest standard uncertainty of a point in the serve volume, m.

    Of its place in the court, from calibration alone; None where no point is seen by two cameras.
    """
    _, u = u_over_volume(rig.cameras, rig.covariance, SERVE_VOLUME)
    if np.isnan(u).all():
        return None
    return float(np.sqrt(np.nanmean(u**2))), float(np.nanmax(u))


def points_wanted(cameras: Sequence[str], clicks: Sequence[Click]) -> Mapping[str, int]:
    """How many more points each camera wants, none where it has WANTED_EACH."""
    return {name: max(0, WANTED_EACH - sum(c.camera == name for c in clicks)) for name in cameras}
