"""The rig's place in the court from the painted lines themselves, found in the cameras' pictures.

A hint says roughly where the court is. From there, each visible line is looked for in strips across it, first
in wide strips (straight runs of bright bars), then in narrow ones, where both edges of the paint are fitted to
a part of a pixel. All cameras and lines are then fitted together (calibration.court.line_fit).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.calibrated_rig import CalibratedRig
from calibration.checks import Array
from calibration.court.clicks import Click
from calibration.court.fit import FreeToMove
from calibration.court.line_fit import LineFit, fit_lines
from calibration.court.line_report import measured_lines, off_sigmas
from calibration.court.line_samples import EdgeSamples, LineOptions, joined_samples
from calibration.court.paint import (
    ANY_BLUR_PX,
    Bars,
    Sites,
    blur_of,
    fit_bars,
    sites,
    strongest_bars,
    whiteness,
)
from calibration.court.ruled_lines import RULED_LINES, Flags, Index, Picture, X
from calibration.court.straight_runs import straight_run
from calibration.errors import BadInput, NotMeasurable
from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid

_SEARCH_PX = (24.0, 10.0, 5.0)  # of a picture 1280 px wide: a click ten pixels off still leads to its line
_FINE_PX = 3.0
_FINE_ROUNDS = 3
_RUN_TOLERANCE_PX = 2.0
_LEAST_RUN = 6
_OFF_SIGMAS = 4.5  # a line this unlikely under the laying tolerance is painted elsewhere, not laid badly
_LEAST_SHARE = 0.3  # of the places where lines ought to be seen; occluders rarely hide more than half
_LEAST_LINES_SHARE = 0.6
_LARGEST_RMS_PX = 1.0
_LARGEST_ORIGIN_U_M = 0.05
_LARGEST_BLUR_PX = 3.0
_LARGEST_BLOOM_PX = 1.0  # more than three times what LineOptions.bloom_u_px expects
_DARK = 0.15
_ADVICE = (
    ". Check that the pictures show the court, sharp and from where the cameras stand now, and that the clicks "
    "or the earlier registration belong to it; or click the court points"
)


@dataclass(frozen=True, slots=True, eq=False)
class FoundLines:
    """What the pictures gave.

    fit      the joint fit
    sites    per camera, where lines were looked for in the last round; found: per camera, a flag for each
    wanted   (L,) places looked at per line
    blur_px  per camera with a picture, sigma of its edges and what it may vary by
    """

    fit: LineFit
    sites: tuple[Sites, ...]
    found: tuple[Flags, ...]
    wanted: Index
    blur_px: Mapping[int, tuple[float, float]]


def find_lines(
    rig: CalibratedRig, pictures: Mapping[str, Picture], start: Rigid, options: LineOptions,
    clicks: Sequence[Click] = (),
) -> FoundLines:  # fmt: skip
    """Lines near where `start` (rig_from_court) puts them, and the fit to them.

    pictures: camera name → (H, W, 3) BGR. Raises BadInput for a picture of another size, NotMeasurable, with
    what was seen and what to do, where the lines do not bear the start out.
    """
    white = checked_whiteness(rig, pictures)
    try:
        return _found(rig, white, start, options, clicks)
    except FreeToMove as fault:
        raise not_found(white, "too little was found of the lines to fix the rig's place") from fault


def _found(
    rig: CalibratedRig, white: Mapping[int, Array], start: Rigid, options: LineOptions, clicks: Sequence[Click]
) -> FoundLines:
    fit = _homed_in(rig, white, start, options, clicks, _SEARCH_PX)
    if fit is None:
        raise not_found(white, "no straight white lines were found where they ought to be")
    found = _fine(rig, white, fit, options, clicks, dict.fromkeys(white, ANY_BLUR_PX))
    for _ in range(_FINE_ROUNDS - 1):
        found = _fine(rig, white, found.fit, options, clicks, found.blur_px)
    _want_sound(found, white)
    return _without_stray_lines(rig, found, options, clicks)


def _homed_in(
    rig: CalibratedRig, white: Mapping[int, Array], start: Rigid, options: LineOptions,
    clicks: Sequence[Click], searches_px: Sequence[float],
) -> LineFit | None:  # fmt: skip
    """The fit to straight runs of bright bars, looked for in narrower and narrower strips; None without any."""
    fit: LineFit | None = None
    place = start
    for search in searches_px:
        rough = _rough(rig, white, place, fit, search)
        if rough is None or len(rough) < 3 * _LEAST_RUN:
            return None
        fit = fit_lines(rig, rough, place, options, clicks, noise_from_residuals=False)
        place = fit.rig_from_court
    return fit


def tried(rig: CalibratedRig, white: Mapping[int, Array], guess: Rigid) -> tuple[float, Rigid]:
    """How well a guess is borne out once it has homed in on the lines near it, and the placement then."""
    try:
        fit = _homed_in(rig, white, guess, LineOptions(), (), _SEARCH_PX[:2])
    except FreeToMove:
        fit = None
    if fit is None:
        return 0.0, guess
    return bearing_out(rig, white, fit.rig_from_court, _SEARCH_PX[-1]), fit.rig_from_court


def bearing_out(rig: CalibratedRig, white: Mapping[int, Array], place: Rigid, search_px: float) -> float:
    """Share of the places where lines ought to be seen at which a bright bar lies on a straight run."""
    rough = _rough(rig, white, place, None, search_px)
    cameras = _placed(rig, place, None)
    wanted = sum(len(sites(cameras[i], _widths(None)).line) for i in white)
    return len(rough) / wanted if rough is not None and wanted > 3 * _LEAST_RUN else 0.0


def checked_whiteness(rig: CalibratedRig, pictures: Mapping[str, Picture]) -> dict[int, Array]:
    """Camera index → whiteness of its picture. Raises BadInput for another size or a stranger's picture."""
    if not pictures:
        raise BadInput("court lines: want a court picture of at least one camera, got none")
    out = {}
    for name, image in pictures.items():
        camera = rig.camera(name)
        h, w = image.shape[:2]
        if (w, h) != camera.size_px:
            raise BadInput(
                f"court picture of {name}: want {camera.size_px[0]}x{camera.size_px[1]} px as its lens was "
                f"calibrated, got {w}x{h}"
            )
        out[rig.names.index(name)] = whiteness(image)
    return out


def _placed(rig: CalibratedRig, place: Rigid, fit: LineFit | None) -> list[Camera]:
    cameras = rig.cameras if fit is None else fit.cameras
    return [c.placed(c.cam_from_world @ place) for c in cameras]


def _widths(fit: LineFit | None) -> Array:
    if fit is None:
        return np.array([r.width_m for r in RULED_LINES])
    bounds = np.array([r.widths_m for r in RULED_LINES])
    return np.clip(fit.widths_m, 0.6 * bounds[:, 0], 1.4 * bounds[:, 1])


def _rough(
    rig: CalibratedRig, white: Mapping[int, Array], place: Rigid, fit: LineFit | None, search_px: float
) -> EdgeSamples | None:
    """Middles of bright bars that lie on one straight run per line and camera."""
    parts = []
    for i, camera in enumerate(_placed(rig, place, fit)):
        if i not in white:
            continue
        at = sites(camera, _widths(fit))
        search = search_px * camera.size_px[0] / 1280
        for line in np.unique(at.line):
            own = at.only(at.line == line)
            offset, strength = strongest_bars(white[i], own, search)
            on_run = straight_run(own.middle_px, own.normal, offset, strength, _RUN_TOLERANCE_PX)
            rows = np.flatnonzero(np.isfinite(on_run))
            if len(rows) >= max(_LEAST_RUN, 0.3 * len(own.line)):
                parts.append(_middles(i, own.only(rows), on_run[rows], np.full(len(rows), 1.0)))
    return joined_samples(parts) if parts else None


def _middles(camera: int, at: Sites, offset_px: Array, u_px: Array) -> EdgeSamples:
    n = len(at.line)
    uv = at.middle_px + offset_px[:, None] * at.normal
    return EdgeSamples(np.full(n, camera), at.line, at.along_m, np.full(n, 0.5), uv, at.normal, u_px)


def _fine(
    rig: CalibratedRig, white: Mapping[int, Array], before: LineFit, options: LineOptions,
    clicks: Sequence[Click], blur_px: Mapping[int, tuple[float, float]],
) -> FoundLines:  # fmt: skip
    """Both edges of the paint around where the last fit puts them, and the fit to these."""
    parts: list[EdgeSamples] = []
    looked, seen, blur = [], [], {}
    cameras = _placed(rig, before.rig_from_court, before)
    for i, camera in enumerate(cameras):
        if i not in white:
            continue
        at = sites(camera, _widths(before))
        shift = _painted_off_px(before, camera, at)
        bars = fit_bars(camera, white[i], at, shift, _FINE_PX, blur_px[i])
        good = bars.good & (np.abs((bars.first_px + bars.second_px) / 2 - shift) < _FINE_PX)
        parts += _edge_samples(i, at, bars, good)
        looked.append(at)
        seen.append(good)
        blur[i] = blur_of(bars)
    samples = joined_samples(parts)
    if len(samples) < 3 * _LEAST_RUN:
        raise not_found(white, "hardly any edge of a painted line could be measured")
    fit = fit_lines(rig, samples, before.rig_from_court, options, clicks)
    wanted = np.bincount(np.concatenate([a.line for a in looked]), minlength=len(RULED_LINES))
    return FoundLines(fit, tuple(looked), tuple(seen), wanted, blur)


def _painted_off_px(before: LineFit, camera: Camera, at: Sites) -> Array:
    """(N,) how far along the normal the paint lies from the rules' place by the last fit's line offsets."""
    along = np.array([r.along for r in RULED_LINES])[at.line]
    start, length = (np.array([getattr(r, k) for r in RULED_LINES])[at.line] for k in ("start_m", "length_m"))
    tau = (at.along_m - start) / length
    off = before.ends_m[at.line, 0] * (1 - tau) + before.ends_m[at.line, 1] * tau
    at_m = np.array([r.at_m for r in RULED_LINES])[at.line]
    x = np.zeros((len(off), 3))
    rows = np.arange(len(off))
    x[rows, along], x[rows, 1 - along] = at.along_m, at_m
    moved = np.array(x)
    moved[rows, 1 - along] += off
    return np.asarray(((camera.project(moved) - camera.project(x)) * at.normal).sum(axis=1))


def _edge_samples(camera: int, at: Sites, bars: Bars, good: Flags) -> list[EdgeSamples]:
    """Two edges where the paint is wide enough in the picture, else its middle."""
    both, thin = good & bars.edges, good & ~bars.edges
    out = []
    for share, offset, u in ((0.0, bars.first_px, bars.u_px[:, 0]), (1.0, bars.second_px, bars.u_px[:, 1])):
        own = at.only(both)
        base = _middles(camera, own, offset[both], u[both])
        out.append(replace(base, share=np.full(int(both.sum()), share)))
    middle = (bars.first_px + bars.second_px) / 2
    out.append(_middles(camera, at.only(thin), middle[thin], bars.u_px[thin, 2]))
    return out


def _want_sound(found: FoundLines, white: Mapping[int, Array]) -> None:
    """Raises NotMeasurable where the lines found do not make a court."""
    blur = max(sigma for sigma, _ in found.blur_px.values())
    bloom = float(np.abs(found.fit.bloom_px).max())
    if blur > _LARGEST_BLUR_PX or bloom > _LARGEST_BLOOM_PX:
        raise NotMeasurable(
            f"court lines: the court pictures are blurred or overexposed (edges spread over {2 * blur:.0f} px, "
            f"paint {2 * bloom:.1f} px wider or narrower than it can be); take them again, sharp and with the "
            "camera at rest, or click the court points"
        )
    fit = found.fit
    seen = measured_lines(fit)
    along_x = [i for i in seen if RULED_LINES[i].along == X]
    names = ", ".join(RULED_LINES[i].name for i in seen) or "none"
    expected = [i for i in range(len(RULED_LINES)) if found.wanted[i] >= 2 * _LEAST_RUN]
    if len(seen) < 3 or not along_x or len(along_x) == len(seen):
        raise not_found(white, f"lines measured: {names}; want three, not all parallel")
    if fit.origin_u_m() > _LARGEST_ORIGIN_U_M:
        raise not_found(
            white,
            f"the lines measured ({names}) leave the court's place open by {100 * fit.origin_u_m():.0f} cm",
        )
    share = sum(f.sum() for f in found.found) / max(int(found.wanted.sum()), 1)
    kept = float(fit.used.mean())
    lines_share = len([i for i in expected if i in seen]) / max(len(expected), 1)
    rms = float(np.sqrt(np.mean(fit.residual_px[fit.used] ** 2)))
    if share * kept < _LEAST_SHARE or lines_share < _LEAST_LINES_SHARE or rms > _LARGEST_RMS_PX or kept < 0.5:
        raise not_found(
            white,
            f"paint was found at {100 * share:.0f} % of the places where lines ought to be seen, "
            f"{100 * kept:.0f} % of it agrees, on {len(seen)} of {len(expected)} lines ({names}), "
            f"rms {rms:.2f} px",
        )


def not_found(white: Mapping[int, Array], seen: str, advice: str = _ADVICE) -> NotMeasurable:
    """One refusal that says what was seen and what to do; of dark pictures, that they are dark."""
    dark = max(float(np.percentile(w, 99.5)) for w in white.values())
    if dark < _DARK:
        return NotMeasurable(
            f"court lines: the court pictures are too dark (brightest parts at {100 * dark:.0f} % of white); "
            "take them again in better light, or click the court points"
        )
    return NotMeasurable(f"court lines: {seen}{advice}")


def _without_stray_lines(
    rig: CalibratedRig, found: FoundLines, options: LineOptions, clicks: Sequence[Click]
) -> FoundLines:
    """Takes the say from lines that are painted elsewhere than the rules and all other lines have them.

    Not where a court of another size explains more than leaving the line out would: then every line is off, and
    none is to blame.
    """
    fit = found.fit
    while len(fit.free) < len(measured_lines(fit)) // 3:
        off = {i: off_sigmas(fit, i) for i in measured_lines(fit) if RULED_LINES[i].name not in fit.free}
        worst = max(off, key=lambda i: off[i])
        size_off = abs(fit.scale[0] - 1) / fit.scale[1]
        if off[worst] < max(_OFF_SIGMAS, size_off):
            break
        free = fit.free | {RULED_LINES[worst].name}
        fit = fit_lines(rig, fit.samples, fit.rig_from_court, options, clicks, free)
    return replace(found, fit=fit)
