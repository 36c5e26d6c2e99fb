"""The rig in the court frame from painted lines: the record that clicks give, and what lines tell besides."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.calibrated_rig import CalibratedRig, ClickResidual, CourtCheck, LineCheck, LineDistance
from calibration.court.clicks import Click
from calibration.court.court_search import search_court
from calibration.court.line_fit import LineFit
from calibration.court.line_report import distances, line_checks
from calibration.court.line_samples import LineOptions
from calibration.court.lines import FoundLines, find_lines
from calibration.court.model import SERVE_VOLUME
from calibration.court.placement import in_court
from calibration.court.registration import CourtOptions, register_court
from calibration.court.ruled_lines import Picture
from calibration.court.uncertainty import baseline_u_m, worst_u_over_volume
from calibration.errors import BadInput, NotMeasurable
from calibration.geometry.rigid import Rigid

_SURE = 3.0  # standard uncertainties beyond which a distance between lines is called off
_EXPECTED_PLACES = 12  # a line that ought to be seen at so many places and was found at none is named


@dataclass(frozen=True, slots=True, eq=False)
class LineRegistration:
    """The rig in the court, and what was found in the pictures (for a drawing of it)."""

    rig: CalibratedRig
    found: FoundLines


def register_lines(
    rig: CalibratedRig, pictures: Mapping[str, Picture], hint: Rigid | Sequence[Click] | None = None,
    options: LineOptions | None = None,
) -> LineRegistration:  # fmt: skip
    """The rig in the court frame, from the painted lines in one court picture per camera, all fitted together.

    pictures: camera name → (H, W, 3) BGR, of the empty court, the cameras standing as in the rig; not every
    camera needs one. hint: an earlier rig_from_court, or clicked points (they place the court roughly and keep
    their share in the fit), or None: then the court is searched for.
    Raises BadInput for clicks or pictures that do not belong to the rig, NotMeasurable where the pictures do
    not show the court well enough, or it cannot be told which end is the server's.
    """
    options = options or LineOptions()
    if rig.frame != "rig":
        raise BadInput(f"rig {rig.name}: want a rig in its own frame, got one in {rig.frame!r}")
    clicks: tuple[Click, ...] = ()
    if hint is None:
        start = search_court(rig, pictures)
    elif isinstance(hint, Rigid):
        start = hint
    else:
        clicks = tuple(hint)
        start = place_from_clicks(rig, clicks, options)
    found = find_lines(rig, pictures, start, options, clicks)
    return LineRegistration(_in_court(rig, found, clicks), found)


def place_in_court(
    rig: CalibratedRig, pictures: Mapping[str, Picture], clicks: Sequence[Click], options: CourtOptions,
    *, must_use_lines: bool = False,
) -> tuple[CalibratedRig, FoundLines | None]:  # fmt: skip
    """The rig in the court by the painted lines where the pictures bear them out, else by the clicks.

    A flag says why clicks alone were used; without clicks, or with must_use_lines, the refusal is raised.
    Without pictures the clicks alone are used, which needs no flag.
    """
    if not pictures:
        return register_court(rig, clicks, options), None
    chosen = LineOptions(paint_u_m=max(options.paint_u_m, 1e-5), click_u_px=options.click_u_px)
    try:
        by_lines = register_lines(rig, pictures, clicks or None, chosen)
        return by_lines.rig, by_lines.found
    except (NotMeasurable, BadInput) as refusal:
        if must_use_lines or not clicks:
            raise
        by_clicks = register_court(rig, clicks, options)
        flag = f"placed by the clicks alone: {refusal}"
        return replace(by_clicks, flags=(*by_clicks.flags, flag)), None


def place_from_clicks(rig: CalibratedRig, clicks: Sequence[Click], options: LineOptions) -> Rigid:
    """rig_from_court by the clicks alone. Raises BadInput as register_court does."""
    placed = register_court(rig, clicks, CourtOptions(click_u_px=options.click_u_px))
    moved = placed.cameras[0].cam_from_world
    place = rig.cameras[0].cam_from_world.inverse() @ Rigid(moved.R, moved.t_m, moved.dst, "court")
    return Rigid(place.R, place.t_m, "rig", "court")


def _in_court(rig: CalibratedRig, found: FoundLines, clicks: Sequence[Click]) -> CalibratedRig:
    fit = found.fit
    cameras, covariance = in_court(fit.cameras, fit.rig_from_court, fit.covariance)
    rms = float(np.sqrt(np.mean(fit.residual_px[fit.used] ** 2)))
    worst = worst_u_over_volume(cameras, covariance, SERVE_VOLUME) if len(cameras) > 1 else None
    rows = tuple(
        ClickResidual(c.camera, c.point, float(t[0]), float(t[1]), float(t[2]), bool(t[3] > 0))
        for c, t in zip(clicks, fit.clicks, strict=True)
    )
    scale, scale_u = fit.scale
    check = CourtCheck(
        rows, rms, worst, scale if np.isfinite(scale_u) else None, scale_u if np.isfinite(scale_u) else None,
        baseline_u_m(cameras, covariance), line_checks(fit, found.wanted), distances(fit),
    )  # fmt: skip
    flags = (*rig.flags, *_flags(rig, found, check))
    return replace(rig, frame="court", cameras=cameras, covariance=covariance, flags=flags, court=check)


def _flags(rig: CalibratedRig, found: FoundLines, check: CourtCheck) -> list[str]:
    fit = found.fit
    out = [
        f"the click on {r.point} in {r.camera} is {r.left_out_px:.0f} px from where the lines put it; left out"
        for r in check.clicks
        if not r.used
    ]
    out += [_stray(line) for line in check.lines if line.line in fit.free]
    if _scale_is_off(fit):
        out.append(
            f"the court measures {100 * (fit.scale[0] - 1):+.2f} % off in the rig: check the board's "
            "square size"
        )
    else:
        out += [_off_distance(d) for d in check.distances if _is_off(d, fit)]
    missing = [line.line for line in check.lines if line.samples == 0 and line.rejected >= _EXPECTED_PLACES]
    if missing:
        out.append(f"painted lines that ought to be visible were not found: {', '.join(missing)}")
    blind = [n for i, n in enumerate(rig.names) if not (fit.samples.camera[fit.used] == i).any()]
    if blind:
        out.append(f"no painted line was used in {', '.join(blind)}; placed by the rig alone")
    if check.worst_u_m is not None and check.worst_u_m > 0.010:
        out.append(
            f"calibration alone leaves {1e3 * check.worst_u_m:.0f} mm of uncertainty somewhere in the "
            "serve volume"
        )
    return out


def _scale_is_off(fit: LineFit) -> bool:
    return abs(fit.scale[0] - 1) > 4 * fit.scale[1]


def _stray(line: LineCheck) -> str:
    off, u = 1e3 * (line.offset_m or 0.0), 1e3 * (line.offset_u_m or 0.0)
    return (
        f"the {line.line} line is painted {abs(off):.0f} ± {2 * u:.0f} mm from where the rules and all other "
        "lines have it; it has no say in where the court is"
    )


def _is_off(d: LineDistance, fit: LineFit) -> bool:
    """Beyond what the distance's own uncertainty and two lines' laying tolerance explain, and not yet named."""
    if fit.free & {d.first, d.second}:
        return False
    tolerance = float(np.sqrt(2)) * float(fit.paint_sd_m.min())
    return abs(d.measured_m - d.rules_m) > _SURE * float(np.hypot(d.u_m, tolerance))


def _off_distance(d: LineDistance) -> str:
    return (
        f"the lines {d.first} and {d.second} lie {d.measured_m:.3f} ± {2 * d.u_m:.3f} m apart, the rules want "
        f"{d.rules_m:.3f} m"
    )
