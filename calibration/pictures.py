"""Pictures of a calibration: what the fit leaves over, and how well it knows places in the serve volume."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from calibration.calibrated_rig import CalibratedRig
from calibration.checks import Array
from calibration.court.model import OUTLINES_M, SERVE_VOLUME
from calibration.court.uncertainty import point_covariance_m2
from calibration.errors import NotMeasurable
from calibration.files import write_atomically
from calibration.residuals import Residuals, pattern

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_INK, _FAINT = "#222222", "#b0b0b0"
_MAP_X_M, _MAP_Y_M = (-3.0, 3.0), (-2.0, 2.5)
_HEIGHTS_M = (0.1, 1.5, 3.0)
_MAP_STEPS = (25, 19)


def draw_residuals(path: Path | str, cameras: Sequence[Residuals]) -> None:
    """One panel per camera: mean residual of each field of the picture as an arrow, all panels at one scale.

    Arrows that point every way are noise; arrows that turn or grow with the distance from the middle are a lens
    model that does not fit.
    """
    patterns = [pattern(c) for c in cameras]
    longest = max([float(np.linalg.norm(p.mean_px, axis=1).max(initial=0.0)) for p in patterns] + [1e-6])
    unit = 10 ** np.floor(np.log10(longest))
    unit = next(s * unit for s in (1, 2, 5, 10) if s * unit >= longest / 2)
    figure = _figure(5.2 * len(cameras), 3.9)
    for k, (camera, p) in enumerate(zip(cameras, patterns, strict=True)):
        axes = figure.add_subplot(1, len(cameras), k + 1)
        width, height = camera.size_px
        axes.plot(*camera.uv_px.T, ".", color=_FAINT, markersize=1.5, zorder=1)
        per_px = 0.05 * width / unit
        strong = (np.abs(p.mean_px) > 3 * p.u_px[:, None]).any(axis=1)
        for own, colour, label in ((~strong, "#56B4E9", "within noise"), (strong, "#D55E00", "beyond 3 sigma")):
            if own.any():
                axes.quiver(
                    *p.centre_px[own].T, *(p.mean_px[own] * per_px).T, angles="xy", scale_units="xy", scale=1,
                    color=colour, width=0.006 if label == "beyond 3 sigma" else 0.004, label=label, zorder=2,
                )  # fmt: skip
        x0 = 0.03 * width
        axes.plot([x0, x0 + unit * per_px], [1.06 * height] * 2, color=_INK, linewidth=2, clip_on=False)
        axes.text(x0 + 1.2 * unit * per_px, 1.06 * height, f"{unit:g} px", va="center", color=_INK, fontsize=8)
        axes.set(xlim=(-0.5, width - 0.5), ylim=(height - 0.5, -0.5), aspect="equal", xticks=[], yticks=[])
        axes.set_title(
            f"{camera.camera}: rms {camera.rms_px:.2f} px, pattern {p.systematic_px:.2f} px",
            fontsize=10,
            color=_INK,
        )
        axes.legend(loc="lower right", fontsize=7, bbox_to_anchor=(1.0, -0.14), ncols=2, frameon=False)
    figure.suptitle("What the fit leaves over: mean of the corners in each field of the picture", fontsize=11)
    _save(figure, path)


def draw_position_u(path: Path | str, rig: CalibratedRig) -> None:
    """The court around the server from above at three heights: how well calibration alone knows a position.

    Raises NotMeasurable where no two cameras see a place near the server.
    """
    x, y = np.linspace(*_MAP_X_M, _MAP_STEPS[0]), np.linspace(*_MAP_Y_M, _MAP_STEPS[1])
    maps = [1e3 * np.array([[_u(rig, a, b, height) for a in x] for b in y]) for height in _HEIGHTS_M]
    known = np.concatenate([m[np.isfinite(m)] for m in maps])
    if not known.size:
        raise NotMeasurable(f"rig {rig.name}: no place near the server is seen by two cameras")
    from matplotlib.colors import Normalize

    scale = Normalize(float(known.min()), float(np.quantile(known, 0.98)))
    figure = _figure(12.5, 4.4)
    for k, (height, values) in enumerate(zip(_HEIGHTS_M, maps, strict=True)):
        axes = figure.add_subplot(1, 3, k + 1)
        axes.set_facecolor("#e8e8e8")
        shown = axes.pcolormesh(x, y, values, norm=scale, cmap="viridis", shading="nearest")
        lines = axes.contour(x, y, values, levels=5, colors="white", linewidths=0.8)
        axes.clabel(lines, fmt="%.1f mm", fontsize=7)
        _draw_court(axes)
        for camera in rig.cameras:
            _draw_direction(axes, camera.name, camera.centre_m())
        axes.set(xlim=_MAP_X_M, ylim=_MAP_Y_M, aspect="equal", xlabel="x, m (to the server's right)")
        axes.set_ylabel("y, m (towards the net)" if k == 0 else "")
        axes.set_title(f"{height:g} m above the ground", fontsize=10)
    figure.colorbar(shown, ax=figure.axes, label="standard uncertainty of a position, mm", shrink=0.8)
    worst = np.nanmax([u for u in (_u(rig, *point) for point in SERVE_VOLUME.grid_m())])
    figure.suptitle(
        f"What calibration alone leaves open: at worst {1e3 * worst:.1f} mm in the serve volume (dashed); "
        "grey: seen by fewer than two cameras",
        fontsize=11,
    )
    _save(figure, path)


def _u(rig: CalibratedRig, x_m: float, y_m: float, z_m: float) -> float:
    try:
        return float(
            np.sqrt(np.trace(point_covariance_m2(rig.cameras, rig.covariance, np.array([x_m, y_m, z_m]))))
        )
    except NotMeasurable:
        return float("nan")


def _figure(width_in: float, height_in: float) -> Figure:
    from matplotlib.figure import Figure  # imported here: it takes long to load, and measuring draws nothing

    return Figure(figsize=(width_in, height_in), layout="constrained")


def _draw_court(axes: Axes) -> None:
    for line in OUTLINES_M[:-1]:
        xy = np.array(line)[:, :2]
        axes.plot(*xy.T, color=_INK, linewidth=1.2)
    (x0, x1), (y0, y1) = SERVE_VOLUME.x_m, SERVE_VOLUME.y_m
    axes.plot([x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0], color=_INK, linewidth=1.2, linestyle="--")


def _draw_direction(axes: Axes, name: str, centre_m: Array) -> None:
    """A camera that stands outside the map is shown at its edge, with an arrow from where it looks in."""
    target = np.array([0.0, 0.3])
    away = centre_m[:2] - target
    room = np.where(away > 0, (_MAP_X_M[1], _MAP_Y_M[1]), (_MAP_X_M[0], _MAP_Y_M[0])) - target
    share = min(1.0, float((room / np.where(np.abs(away) < 1e-9, 1e-9, away)).min()) * 0.97)
    at = target + share * away
    inward = -away / np.linalg.norm(away)
    axes.annotate(
        "",
        xy=at + 0.45 * inward,
        xytext=at,
        arrowprops={"arrowstyle": "-|>", "color": "white", "linewidth": 1.5},
    )
    axes.annotate(
        name, at + 0.5 * inward, color="white", fontsize=7, ha="center", va="center",
        bbox={"boxstyle": "round,pad=0.2", "facecolor": _INK, "edgecolor": "none"},
    )  # fmt: skip


def _save(figure: Figure, path: Path | str) -> None:
    data = BytesIO()
    figure.savefig(data, format="png", dpi=110, metadata={"Software": None})
    write_atomically(path, data.getvalue())
