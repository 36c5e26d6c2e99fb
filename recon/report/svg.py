"""A flat drawing of points in space: orthographic projection on a chosen plane, written as inline SVG."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from markupsafe import Markup, escape

from calibration.checks import Array

INK = "#1F2933"
FAINT = "#9AA5B1"
WIDTH_PX, HEIGHT_PX = 300, 250
_MARGIN_PX = 16
_HALO = 'paint-order="stroke" stroke="#fff" stroke-width="4" stroke-linejoin="round"'


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """The plane of a drawing: `right` and `up` are orthonormal (3,), `origin_m` (3,) lands at (0, 0)."""

    origin_m: Array
    right: Array
    up: Array

    def flat(self, xyz_m: Array) -> Array:
        """(..., 3) points -> (..., 2) metres in the plane, y up."""
        d = np.asarray(xyz_m, dtype=float) - self.origin_m
        return np.stack([d @ self.right, d @ self.up], axis=-1)


@dataclass(slots=True)
class Drawing:
    """Collects shapes in metres of a view, then scales them to fit. Shapes with absent points are left out.

    Shapes named `keep=True` decide what has to fit in the frame; the rest may run out of it. marked: the
    length or angle, SI units, that its arrow or arc spans as drawn; None where nothing is spanned.
    """

    view: View
    _shapes: list[tuple[str, Array, dict[str, object]]] = field(default_factory=list)
    _kept: list[Array] = field(default_factory=list)
    marked: float | None = None

    def line(self, xyz_m: Iterable[Array], colour: str, width_px: float, *, dash: str = "", keep: bool = False,
             opacity: float = 1.0) -> None:  # fmt: skip
        """A stroke through two or more points in space."""
        self.flat_line(self.view.flat(np.array(list(xyz_m))), colour, width_px, dash=dash, keep=keep,
                       opacity=opacity)  # fmt: skip

    def strokes(self, ends_m: Array, colour: str, width_px: float, *, dash: str = "", keep: bool = False,
                opacity: float = 1.0) -> None:  # fmt: skip
        """Strokes that each join two points in space (N, 2, 3), as one shape."""
        flat = self.view.flat(ends_m)
        flat = flat[np.isfinite(flat).all(axis=(1, 2))]
        style = {"colour": colour, "width": width_px, "dash": dash, "opacity": opacity}
        self._add("strokes", flat.reshape(-1, 2), style, keep)

    def flat_line(self, xy_m: Array, colour: str, width_px: float, *, dash: str = "", keep: bool = False,
                  arrows: str = "", opacity: float = 1.0) -> None:  # fmt: skip
        """A stroke through points (N, 2) of the plane. arrows: "", "end" or "both"."""
        style = {"colour": colour, "width": width_px, "dash": dash, "arrows": arrows, "opacity": opacity}
        self._add("line", np.asarray(xy_m, dtype=float), style, keep)

    def dot(self, xyz_m: Array, colour: str, radius_px: float, *, keep: bool = False, rim: str = "") -> None:
        """A disc at a point in space."""
        style = {"colour": colour, "radius": radius_px, "rim": rim}
        self._add("dot", self.view.flat(xyz_m)[None], style, keep)

    def dot_flat(self, xy_m: Array, colour: str, radius_px: float, *, rim: str = "") -> None:
        """A disc at a point (2,) of the plane."""
        style = {"colour": colour, "radius": radius_px, "rim": rim}
        self._add("dot", np.asarray(xy_m, dtype=float)[None], style, False)

    def patch(self, xy_m: Array, colour: str, opacity: float, *, rim: str = "", rounded: bool = False,
              keep: bool = False) -> None:  # fmt: skip
        """A filled outline through points (N, 2) of the plane; rounded: smooth, just inside them."""
        style = {"colour": colour, "opacity": opacity, "rim": rim, "round": rounded}
        self._add("patch", np.asarray(xy_m, dtype=float), style, keep)

    def words(self, xy_m: Array, text: str, *, anchor: str = "middle", colour: str = INK, bold: bool = False,
              shift_px: tuple[float, float] = (0.0, 0.0)) -> None:  # fmt: skip
        """A short text at a point of the plane."""
        style = {"text": text, "anchor": anchor, "colour": colour, "bold": bold, "shift": shift_px}
        self._add("words", np.asarray(xy_m, dtype=float)[None], style, False)

    def _add(self, kind: str, xy_m: Array, style: dict[str, object], keep: bool) -> None:
        if np.isfinite(xy_m).all() and len(xy_m):
            self._shapes.append((kind, xy_m, style))
            if keep:
                self._kept.append(xy_m)

    def svg(self, title: str) -> Markup | None:
        """The drawing; None where nothing that has to be in it could be drawn. `title` is read out loud."""
        if not self._kept:
            return None
        kept = np.concatenate(self._kept)
        low, high = kept.min(axis=0), kept.max(axis=0)
        room = np.array([WIDTH_PX, HEIGHT_PX]) - 2.0 * _MARGIN_PX
        scale = float((room / np.maximum(high - low, 0.15)).min())
        middle = (low + high) / 2

        def px(xy_m: Array) -> Array:
            away = (xy_m - middle) * [scale, -scale]
            return np.asarray(away + np.array([WIDTH_PX, HEIGHT_PX]) / 2)

        body = "".join(_SHAPES[kind](px(xy), style) for kind, xy, style in self._shapes)
        return Markup(
            f'<svg viewBox="0 0 {WIDTH_PX} {HEIGHT_PX}" role="img" xmlns="http://www.w3.org/2000/svg">'
            f"<title>{escape(title)}</title>{body}</svg>"
        )


def _points(xy_px: Array) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in xy_px)


def _svg_line(xy: Array, style: dict[str, object]) -> str:
    dash = f' stroke-dasharray="{style["dash"]}"' if style["dash"] else ""
    line = (
        f'<polyline points="{_points(xy)}" fill="none" stroke="{style["colour"]}" opacity="{style["opacity"]}" '
        f'stroke-width="{style["width"]}" stroke-linecap="round" stroke-linejoin="round"{dash}/>'
    )
    if style["arrows"] in ("end", "both"):
        line += _arrow_head(xy[-2], xy[-1], str(style["colour"]))
    if style["arrows"] == "both":
        line += _arrow_head(xy[1], xy[0], str(style["colour"]))
    return line


def _svg_strokes(xy: Array, style: dict[str, object]) -> str:
    dash = f' stroke-dasharray="{style["dash"]}"' if style["dash"] else ""
    d = "".join(f"M{a[0]:.1f} {a[1]:.1f}L{b[0]:.1f} {b[1]:.1f}" for a, b in zip(xy[::2], xy[1::2], strict=True))
    return (
        f'<path d="{d}" fill="none" stroke="{style["colour"]}" opacity="{style["opacity"]}" '
        f'stroke-width="{style["width"]}" stroke-linecap="round"{dash}/>'
    )


def _arrow_head(tail: Array, tip: Array, colour: str) -> str:
    along = tip - tail
    length = float(np.hypot(*along))
    if length < 1e-6:
        return ""
    size = min(9.0, max(4.0, 0.45 * length))
    e = along / length
    side = np.array([-e[1], e[0]])
    corners = np.stack([tip, tip - size * e + 0.42 * size * side, tip - size * e - 0.42 * size * side])
    return f'<polygon points="{_points(corners)}" fill="{colour}"/>'


def _svg_dot(xy: Array, style: dict[str, object]) -> str:
    rim = f' stroke="{style["rim"]}" stroke-width="1.5"' if style["rim"] else ""
    return (
        f'<circle cx="{xy[0, 0]:.1f}" cy="{xy[0, 1]:.1f}" r="{style["radius"]}" fill="{style["colour"]}"{rim}/>'
    )


def _svg_patch(xy: Array, style: dict[str, object]) -> str:
    rim = f' stroke="{style["rim"]}" stroke-width="1"' if style["rim"] else ""
    look = f'fill="{style["colour"]}" fill-opacity="{style["opacity"]}"{rim}'
    if not style["round"]:
        return f'<polygon points="{_points(xy)}" {look}/>'
    halves = (xy + np.roll(xy, -1, axis=0)) / 2  # a smooth outline: quadratic curves between side middles
    bends = "".join(
        f"Q{x:.1f} {y:.1f} {u:.1f} {v:.1f}" for (x, y), (u, v) in zip(np.roll(xy, -1, axis=0),
                                                                     np.roll(halves, -1, axis=0), strict=True)
    )  # fmt: skip
    return f'<path d="M{halves[0, 0]:.1f} {halves[0, 1]:.1f}{bends}Z" {look}/>'


def _svg_words(xy: Array, style: dict[str, object]) -> str:
    shift, text = style["shift"], str(style["text"])
    assert isinstance(shift, tuple)
    wide = len(text) * (9.0 if style["bold"] else 6.8)  # a little more than wide letters take
    before = {"start": 0.0, "middle": wide / 2, "end": wide}[str(style["anchor"])]
    x = min(max(float(xy[0, 0]) + shift[0], before + 4.0), WIDTH_PX - 4.0 - (wide - before))
    y = min(max(float(xy[0, 1]) + shift[1], 14.0), HEIGHT_PX - 6.0)
    weight = ' font-weight="700"' if style["bold"] else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{style["anchor"]}" fill="{style["colour"]}" '
        f'font-size="{13 if style["bold"] else 11}"{weight} {_HALO}>{escape(text)}</text>'
    )


_SHAPES = {
    "line": _svg_line,
    "strokes": _svg_strokes,
    "dot": _svg_dot,
    "patch": _svg_patch,
    "words": _svg_words,
}


def arc(corner_xy: Array, from_xy: Array, turn_rad: float, radius_m: float) -> Array:
    """(N, 2) points of the arc about `corner_xy` from a direction by a turn, anticlockwise positive."""
    start = float(np.arctan2(*from_xy[::-1]))
    angles = np.linspace(start, start + turn_rad, 24)
    return np.asarray(corner_xy + radius_m * np.stack([np.cos(angles), np.sin(angles)], axis=-1))


def turn_between(from_xy: Array, to_xy: Array) -> float:
    """Angle from one direction (2,) to another, the short way round, anticlockwise positive."""
    return float(np.arctan2(from_xy[0] * to_xy[1] - from_xy[1] * to_xy[0], from_xy @ to_xy))
