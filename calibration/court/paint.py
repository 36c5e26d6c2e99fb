"""Painted lines in a picture: where to look across them, and where their edges are, to a part of a pixel."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from scipy.ndimage import map_coordinates
from scipy.special import ndtr

from calibration.checks import Array
from calibration.court.model import (
    DOUBLES_WIDTH_M,
    NET_HEIGHT_POST_M,
    NET_POST_OUTSIDE_M,
    NET_Y_M,
    PAINTED_LINES,
)
from calibration.court.ruled_lines import RULED_LINES, Flags, Index, Picture, crossings_m
from calibration.geometry.camera import Camera

_SPACING_PX = 6.0  # neighbouring profiles share no pixel: each averages five pixels along the line
_MOST_PER_LINE = 160  # more samples of one line in one picture add no knowledge: its paint error is common
_FROM_CROSSING_M = 0.20  # the widest line is 10 cm, a centre mark reaches 20 cm into the court
_BORDER_PX = 6.0
_NET_MARGIN_M = 0.05
_TAPS_PX = np.arange(-2.0, 3.0)  # averaged along the line
_FLANK_PX = 5.0  # ground beside the paint that the edge fit needs on each side
_STEPS = 12
ANY_BLUR_PX = (1.0, 0.8)
"""Edge sigma of a court picture and its uncertainty before anything was measured: sharp to visibly soft."""
_LEAST_CONTRAST = 0.06  # of full white; fainter paint is not told from grain
_EDGES_FROM_WIDTH = 2.5  # in edge sigmas, but at least 1.8 px: thinner paint has a middle, no edges
_LEAST_SIGMA_PX = 0.7
_MISFIT = 0.25  # rms of the profile's residual over its contrast, beyond which it is no bar


def whiteness(image_bgr: Picture) -> Array:
    """(H, W) in [0, 1]: the lowest of the three channels, bright only where all are.

    White paint stands out on any court colour, while coloured lines of other sports nearly vanish.
    """
    return np.asarray(image_bgr.min(axis=2) / 255.0, dtype=float)


@dataclass(frozen=True, slots=True, eq=False)
class Sites:
    """Where to look across the lines in one picture; N places.

    line      (N,) index into RULED_LINES
    along_m   (N,) place along that line
    middle_px (N, 2) predicted middle of the paint
    normal    (N, 2) unit, across the line's image, from its reference edge to the other one
    width_px  (N,) predicted distance of the edges along the normal
    """

    line: Index
    along_m: Array
    middle_px: Array
    normal: Array
    width_px: Array

    def only(self, keep: Index | Flags) -> Sites:
        """The chosen places."""
        return Sites(*(getattr(self, f.name)[keep] for f in fields(self)))


def sites(camera: Camera, widths_m: Array) -> Sites:
    """Places across all lines that a camera in the court would see, if nothing stood before them.

    Left out: near crossings with other lines, near the picture's border, ground seen through the net.
    widths_m (L,) of the lines as far as known.
    """
    parts = [_sites_on(camera, i, float(w)) for i, w in enumerate(widths_m)]
    return Sites(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Sites)))


def _sites_on(camera: Camera, index: int, width_m: float) -> Sites:
    line = RULED_LINES[index]
    s = np.arange(line.start_m, line.stop_m, 0.04)
    s = s[np.abs(s[:, None] - crossings_m(line)).min(axis=1) > _FROM_CROSSING_M]
    edges = [line.points_m(s, line.at_m + line.across_per_width(np.full(len(s), e)) * width_m) for e in (0, 1)]
    middle = (edges[0] + edges[1]) / 2
    tangent_m = np.zeros(3)
    tangent_m[line.along] = 0.02
    seen = in_view(camera, middle)
    s, middle, edges = s[seen], middle[seen], [e[seen] for e in edges]
    uv, first, second = camera.project(middle), camera.project(edges[0]), camera.project(edges[1])
    tangent = camera.project(middle + tangent_m) - uv
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=-1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True) + 1e-30
    width = ((second - first) * normal).sum(axis=1)
    normal *= np.sign(width)[:, None]
    path = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(uv, axis=0), axis=1))]) if len(s) else s
    spacing = max(_SPACING_PX, path[-1] / _MOST_PER_LINE) if len(s) else 1.0
    keep = np.concatenate([[True], np.diff(np.floor(path / spacing)) > 0]) if len(s) else np.zeros(0, bool)
    at = np.full(len(s), index)
    return Sites(at, s, uv, normal, np.abs(width)).only(np.flatnonzero(keep))


def in_view(camera: Camera, x_m: Array) -> Flags:
    """(N,) True for ground points inside the picture and the lens's cone, not behind the net."""
    uv = camera.project(x_m)
    w, h = camera.size_px
    with np.errstate(invalid="ignore"):
        inside = (uv > _BORDER_PX).all(axis=1) & (uv < np.array([w, h]) - 1 - _BORDER_PX).all(axis=1)
    inside &= ~through_net(camera.centre_m(), x_m)
    # far outside the picture's cone the lens terms may fold points back into it
    inside[inside] = _unfolded(camera, x_m[inside], uv[inside])
    return inside


def _unfolded(camera: Camera, x_m: Array, uv: Array) -> Flags:
    """True where the pixel's ray leads back to the point."""
    to_point = x_m - camera.centre_m()
    to_point = to_point / np.linalg.norm(to_point, axis=1, keepdims=True)
    return np.asarray(np.nan_to_num((camera.rays(uv) * to_point).sum(axis=1)) > 0.999)


def through_net(centre_m: Array, x_m: Array) -> Flags:
    """(N,) True where the sight from centre_m to ground points passes the net or the posts."""
    rise = x_m[:, 1] - centre_m[1]
    with np.errstate(divide="ignore", invalid="ignore"):
        part = (NET_Y_M - centre_m[1]) / rise
        z = centre_m[2] * (1 - part)
        x = centre_m[0] + part * (x_m[:, 0] - centre_m[0])
    reach = DOUBLES_WIDTH_M / 2 + NET_POST_OUTSIDE_M + _NET_MARGIN_M
    hidden = (part > 0) & (part < 1) & (z < NET_HEIGHT_POST_M + _NET_MARGIN_M) & (np.abs(x) < reach)
    return np.asarray(hidden, dtype=bool)


def profiles(white: Array, at: Sites, offsets_px: Array) -> Array:
    """(N, K) whiteness across the line at offsets (N, K) px from the predicted middle, averaged along it.

    NaN outside the picture.
    """
    tangent = np.stack([at.normal[:, 1], -at.normal[:, 0]], axis=-1)
    uv = at.middle_px[:, None, None, :] + offsets_px[..., None, None] * at.normal[:, None, None, :]
    uv = uv + _TAPS_PX[:, None] * tangent[:, None, None, :]
    values = map_coordinates(white, [uv[..., 1], uv[..., 0]], order=1, mode="constant", cval=np.nan)
    return np.asarray(values.mean(axis=-1), dtype=float)


@dataclass(frozen=True, slots=True, eq=False)
class Bars:
    """Bright bars fitted across a line; N profiles.

    first_px, second_px  (N,) offsets of the two edges from the predicted middle
    u_px      (N, 3) standard uncertainty of first, second and middle from the profile's own residual
    blur_px   (N,) sigma of the edges
    good      (N,) a bright bar on darker ground that the model describes
    edges     (N,) wide enough for its two edges to be told apart
    """

    first_px: Array
    second_px: Array
    u_px: Array
    blur_px: Array
    good: Flags
    edges: Flags


def fit_bars(
    camera: Camera, white: Array, at: Sites, start_px: Array, search_px: float, blur_px: tuple[float, float]
) -> Bars:
    """Fits a blurred bar to each profile, beginning at start_px (N,), by damped Gauss-Newton on all at once.

    blur_px: what is known of the edges' sigma in this picture, with its standard uncertainty.

    The model: ground, paint and ground levels (b₁, p, b₂) joined by two edges blurred with one sigma,
    b₁ + (p - b₁) Φ((t - e₁)/σ) + (b₂ - p) Φ((t - e₂)/σ). Pixels on another painted line take no part.
    """
    half = at.width_px / 2 + _FLANK_PX + search_px
    count = int(np.ceil(2 * half.max(initial=1.0) / 0.5)) + 1
    t = start_px[:, None] + np.linspace(-1, 1, count) * half[:, None]
    values = profiles(white, at, t)
    weight = (~np.isnan(values) & ~_on_other_paint(camera, at, t)).astype(float)
    values = np.nan_to_num(values)
    q = _first_guess(t, values, weight, start_px, at.width_px, blur_px[0])
    damping = np.full(len(q), 1e-3)
    cost, normal, right = _bar_equations(q, t, values, weight, at.width_px, blur_px)
    for _ in range(_STEPS):
        system = normal + damping[:, None, None] * np.einsum("nij,ij->nij", normal, np.eye(6))
        step = np.linalg.solve(system + 1e-9 * np.eye(6), right[..., None])[..., 0]
        step[:, 3:5] = np.clip(step[:, 3:5], -1.5, 1.5)
        tried = q + step
        tried[:, 5] = np.clip(tried[:, 5], 0.25, 6.0)
        new = _bar_equations(tried, t, values, weight, at.width_px, blur_px)
        better = new[0] < cost
        q = np.where(better[:, None], tried, q)
        cost = np.where(better, new[0], cost)
        normal = np.where(better[:, None, None], new[1], normal)
        right = np.where(better[:, None], new[2], right)
        damping = np.where(better, damping / 5, damping * 10).clip(1e-9, 1e6)
    return _judged(q, t, values, weight, normal, at)


def _first_guess(
    t: Array, values: Array, weight: Array, start_px: Array, width_px: Array, blur_px: float
) -> Array:
    left = weight * (t < (start_px - width_px / 2 - 1)[:, None])
    right = weight * (t > (start_px + width_px / 2 + 1)[:, None])
    near = weight * (np.abs(t - start_px[:, None]) <= np.maximum(width_px / 4, 0.5)[:, None])
    levels = [(values * w).sum(axis=1) / np.maximum(w.sum(axis=1), 1e-9) for w in (left, near, right)]
    wide = np.maximum(width_px, 1.0) / 2
    edges = [start_px - wide, start_px + wide]
    return np.stack([levels[0], levels[1], levels[2], *edges, np.full(len(t), blur_px)], axis=-1)


_BLUR_VARIES = 0.15  # over one picture, as a share: focus and lens faults between its parts
_GRAIN = 0.02  # whiteness noise by which the weak priors are weighed against the profile


def _bar_equations(
    q: Array, t: Array, values: Array, weight: Array, width_px: Array, blur_px: tuple[float, float]
) -> tuple[Array, Array, Array]:
    """Cost (N,), normal matrices (N, 6, 6) and right sides (N, 6) in units of _GRAIN, weak priors included.

    Priors: the blur, and the width to within half of the predicted one (which only matters for paint so thin
    that brightness and width cannot be told apart).
    """
    r, jac = _bar_residual(q, t, values)
    r, jac = r / _GRAIN, jac / _GRAIN
    normal = np.einsum("nk,nki,nkj->nij", weight, jac, jac)
    right = np.einsum("nk,nki,nk->ni", weight, jac, r)
    wide = np.maximum(width_px, 0.5)
    miss, loose = (q[:, 4] - q[:, 3] - width_px) / (0.5 * wide), 1 / (0.5 * wide)
    blur = (q[:, 5] - blur_px[0]) / blur_px[1]
    normal[:, 3, 3] += loose**2
    normal[:, 4, 4] += loose**2
    normal[:, 3, 4] -= loose**2
    normal[:, 4, 3] -= loose**2
    normal[:, 5, 5] += 1 / blur_px[1] ** 2
    right[:, 3] += miss * loose
    right[:, 4] -= miss * loose
    right[:, 5] -= blur / blur_px[1]
    return (weight * r**2).sum(axis=1) + miss**2 + blur**2, normal, right


def blur_of(bars: Bars) -> tuple[float, float]:
    """Edge sigma of a picture, and by how much one place may differ, from the paint wide enough to show it."""
    width = bars.second_px - bars.first_px
    wide = bars.good & (width > 4 * bars.blur_px)
    if wide.sum() < 20:
        return ANY_BLUR_PX
    return float(np.median(bars.blur_px[wide])), _BLUR_VARIES * float(np.median(bars.blur_px[wide]))


def _bar_residual(q: Array, t: Array, values: Array) -> tuple[Array, Array]:
    """values minus model (N, K), and the model's derivative (N, K, 6) by (b₁, p, b₂, e₁, e₂, σ)."""
    b1, p, b2, e1, e2, sigma = (q[:, i, None] for i in range(6))
    z1, z2 = (t - e1) / sigma, (t - e2) / sigma
    a1, a2 = ndtr(z1), ndtr(z2)
    d1, d2 = (np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi) / sigma for z in (z1, z2))
    model = b1 + (p - b1) * a1 + (b2 - p) * a2
    by_sigma = -(p - b1) * d1 * z1 - (b2 - p) * d2 * z2
    jac = np.stack([1 - a1, a1 - a2, a2, -(p - b1) * d1, -(b2 - p) * d2, by_sigma], axis=-1)
    return values - model, jac


def _judged(q: Array, t: Array, values: Array, weight: Array, normal: Array, at: Sites) -> Bars:
    r, _ = _bar_residual(q, t, values)
    # profile points lie half a pixel apart and are interpolated: about half of them are independent
    freedom = np.maximum(weight.sum(axis=1) / 2 - 5, 1.0)
    s2 = (weight * r**2).sum(axis=1) / 2 / freedom
    cov = np.linalg.inv(normal + 1e-9 * np.eye(6)) * (2 * np.maximum(s2, 1e-6) / _GRAIN**2)[:, None, None]
    middle = (cov[:, 3, 3] + cov[:, 4, 4] + 2 * cov[:, 3, 4]) / 4
    u = np.sqrt(np.maximum(np.stack([cov[:, 3, 3], cov[:, 4, 4], middle], axis=-1), 1e-12))
    contrast = q[:, 1] - np.maximum(q[:, 0], q[:, 2])
    width = q[:, 4] - q[:, 3]
    flank = np.stack([(weight * (t < q[:, 3, None] - 1)).sum(1), (weight * (t > q[:, 4, None] + 1)).sum(1)])
    good = (contrast > _LEAST_CONTRAST) & (np.sqrt(s2) < _MISFIT * contrast) & (flank.min(axis=0) >= 4)
    good &= (width > 0.3 * at.width_px) & (width < 2.5 * at.width_px + 1.0) & (u[:, 2] < 1.0)
    edges = width > _EDGES_FROM_WIDTH * np.maximum(q[:, 5], _LEAST_SIGMA_PX)
    return Bars(q[:, 3], q[:, 4], u, q[:, 5], good, edges)


def _on_other_paint(camera: Camera, at: Sites, t: Array) -> Flags:
    """(N, K) True where a profile's pixel may lie on a painted line other than its own."""
    uv = at.middle_px[:, None, :] + t[..., None] * at.normal[:, None, :]
    rays, c = camera.rays(uv), camera.centre_m()
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = -c[2] / rays[..., 2]
        x, y = c[0] + reach * rays[..., 0], c[1] + reach * rays[..., 1]
    other = ~(reach > 0)
    margin = 0.05
    for line in PAINTED_LINES:
        own = np.array([r.name == line.name for r in RULED_LINES])[at.line]
        with np.errstate(invalid="ignore"):
            hit = (x > line.x0_m - margin) & (x < line.x1_m + margin)
            hit &= (y > line.y0_m - margin) & (y < line.y1_m + margin)
        other |= hit & ~own[:, None]
    return np.asarray(other, dtype=bool)


def strongest_bars(white: Array, at: Sites, search_px: float, count: int = 3) -> tuple[Array, Array]:
    """Offsets (N, count) px of the strongest bright bars of about the right width, and their contrast.

    A bar's strength at a place: the mean over the predicted width minus the brighter flank's mean. NaN and 0
    where there are fewer.
    """
    step = np.maximum(at.width_px, 2.0) / 4
    k = int(np.ceil(search_px / step.min(initial=1.0))) + 10
    t = np.arange(-k, k + 1) * step[:, None]
    values = np.nan_to_num(profiles(white, at, t))
    total = np.concatenate([np.zeros((len(t), 1)), np.cumsum(values, axis=1)], axis=1)
    mean4 = (total[:, 4:] - total[:, :-4]) / 4  # over samples j … j+3, centred on j + 1.5
    bar, left, right = mean4[:, 6:-6], mean4[:, :-12], mean4[:, 12:]
    strength = bar - np.maximum(left, right)
    centre = t[:, 6 : 6 + bar.shape[1]] + 1.5 * step[:, None]
    peak = np.zeros(strength.shape, dtype=bool)
    inner = strength[:, 1:-1]
    peak[:, 1:-1] = (inner >= strength[:, :-2]) & (inner > strength[:, 2:])
    peak &= (strength > _LEAST_CONTRAST / 2) & (np.abs(centre) <= search_px)
    ranked = np.where(peak, strength, 0.0)
    order = np.argsort(-ranked, axis=1, kind="stable")[:, :count]
    found = np.take_along_axis(ranked, order, axis=1)
    offset = np.take_along_axis(centre, order, axis=1)
    return np.where(found > 0, offset, np.nan), found
