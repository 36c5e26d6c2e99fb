"""Scene parts as pyvista actors: one actor per part, moved in place when its part moves."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pyvista as pv
from vtkmodules.vtkRenderingCore import vtkBillboardTextActor3D

from calibration import Array, BadInput
from recon.result import Result
from recon.scene import Dots, Lines, Part, Patches, Words
from recon.scene.body import positions_at
from recon.scene.planes import spine_plane

BACKGROUND = "#F4F6F8"
_WORDS_COLOUR = (0.13, 0.16, 0.20)
_WORDS_SIZE = 15

VIEWS: dict[str, str] = {
    "corner": "rear corner",
    "behind": "behind",
    "side": "side",
    "front": "front",
    "top": "top",
    "edge": "along the spine plane",
}
"""Ready-made views -> the words for them; "side" and "corner" see the chest, so they depend on handedness."""

_EYES_M = {
    "corner": ((4.7, -5.9, 2.7), (0.0, 0.0, 1.55), (0.0, 0.0, 1.0)),
    "behind": ((0.0, -7.2, 2.0), (0.0, 0.0, 1.55), (0.0, 0.0, 1.0)),
    "side": ((7.4, 0.0, 1.7), (0.0, 0.0, 1.55), (0.0, 0.0, 1.0)),
    "front": ((0.0, 7.4, 1.9), (0.0, 0.0, 1.55), (0.0, 0.0, 1.0)),
    "top": ((0.0, 0.0, 8.5), (0.0, 0.0, 0.0), (0.0, 1.0, 0.0)),
}
"""View -> eye, what it looks at, and what is up, for a server at the centre mark; court frame, metres."""
_EDGE_FROM_M = 6.0


def _line_mesh(ends_m: Array) -> pv.PolyData:
    n = len(ends_m)
    if n == 0:
        return pv.PolyData()
    cells = np.column_stack([np.full(n, 2), np.arange(2 * n).reshape(n, 2)])
    return pv.PolyData(ends_m.reshape(-1, 3).copy(), lines=cells.ravel())


def _patch_mesh(corners_m: Array) -> pv.PolyData:
    n = len(corners_m)
    if n == 0:
        return pv.PolyData()
    cells = np.column_stack([np.full(n, 4), np.arange(4 * n).reshape(n, 4)])
    return pv.PolyData(corners_m.reshape(-1, 3).copy(), faces=cells.ravel())


def _dot_mesh(xyz_m: Array, radius_m: float) -> pv.PolyData:
    if len(xyz_m) == 0:
        return pv.PolyData()
    ball = pv.Sphere(radius=radius_m, theta_resolution=16, phi_resolution=12)
    dots: pv.PolyData = pv.PolyData(xyz_m.copy()).glyph(geom=ball, scale=False, orient=False)
    return dots


def off_screen_plotter(size_px: tuple[int, int]) -> pv.Plotter:
    """A plotter without a window, also where there is no display."""
    if sys.platform == "linux" and not os.environ.get("DISPLAY"):
        # VTK would try the X server first and complain on the way to EGL
        os.environ.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
    return pv.Plotter(off_screen=True, window_size=list(size_px))


class Drawing:
    """A pyvista plotter that shows scene parts by name and switches layers.

    Mutable here: which actors exist, where they are, which layers are on. The records are not touched.
    """

    def __init__(self, plotter: Any) -> None:
        self.plotter = plotter  # pyvista's decorators hide its methods' signatures from type checkers
        self._actors: dict[str, list[Any]] = {}
        self._layers: dict[str, str] = {}
        self._off: set[str] = set()
        self.plotter.set_background(BACKGROUND)
        # without a graphics card this takes half the time of the other two ways
        self.plotter.enable_anti_aliasing("msaa", multi_samples=4)

    def show(self, parts: Iterable[Part]) -> None:
        """Add parts, or move those that are there already."""
        for part in parts:
            self._layers[part.name] = part.layer
            if isinstance(part, Words):
                self._show_words(part)
            else:
                self._show_mesh(part)
            self._apply_switch(part.name)

    def switch(self, layer: str, on: bool) -> None:
        """Show or hide a layer."""
        (self._off.discard if on else self._off.add)(layer)
        for name, its_layer in self._layers.items():
            if its_layer == layer:
                self._apply_switch(name)

    def _apply_switch(self, name: str) -> None:
        for actor in self._actors.get(name, []):
            actor.SetVisibility(self._layers[name] not in self._off)

    def _show_mesh(self, part: Lines | Dots | Patches) -> None:
        if isinstance(part, Lines):
            mesh = _line_mesh(part.ends_m)
            tubes = part.layer in ("body", "racket") or part.width_px > 4
            look: dict[str, Any] = {
                "line_width": part.width_px,
                "lighting": tubes,
                "render_lines_as_tubes": tubes,
            }
            if tubes:  # shaded little: what colour a bone has must be seen from all sides
                look |= {"ambient": 0.45, "diffuse": 0.55}
        elif isinstance(part, Patches):
            mesh = _patch_mesh(part.corners_m)
            look = {"opacity": part.opacity, "lighting": False}
        else:
            mesh = _dot_mesh(part.xyz_m, part.radius_m)
            look = {"smooth_shading": True, "ambient": 0.35}
        if part.name in self._actors:
            self._actors[part.name][0].mapper.SetInputData(mesh)
            return
        # an actor needs something to start from; an empty mesh is put in at once
        start = mesh if mesh.n_points else pv.PolyData(np.zeros((1, 3)))
        actor = self.plotter.add_mesh(start, color=part.colour, name=part.name, pickable=False, **look)
        if not mesh.n_points:
            actor.mapper.SetInputData(mesh)
        self._actors[part.name] = [actor]

    def _show_words(self, part: Words) -> None:
        actors = self._actors.setdefault(part.name, [])
        while len(actors) < len(part.texts):
            actors.append(self._new_word())
        for k, actor in enumerate(actors):
            there = k < len(part.texts)
            actor.SetInput(part.texts[k] if there else "")
            if there:
                actor.SetPosition(*part.at_m[k])

    def _new_word(self) -> Any:
        actor = vtkBillboardTextActor3D()
        look = actor.GetTextProperty()
        look.SetFontSize(_WORDS_SIZE)
        look.SetColor(*_WORDS_COLOUR)
        look.SetJustificationToCentered()
        look.SetBackgroundColor(1.0, 1.0, 1.0)
        look.SetBackgroundOpacity(0.8)
        look.SetVerticalJustificationToBottom()
        self.plotter.renderer.AddActor(actor)
        return actor

    def look(self, view: str, result: Result, t_s: float) -> None:
        """Place the eye; the view along the spine plane is that of rig time t_s.

        Raises BadInput for an unknown view.
        """
        hand = result.session.file.handedness
        if view == "edge":
            plane = spine_plane(result.motion.keypoints, positions_at(result.motion, t_s), hand)
            if plane is None:
                return
            eye, target, up = plane.origin_m + _EDGE_FROM_M * plane.anterior, plane.origin_m, plane.spine
        elif view in _EYES_M:
            eye, target, up = (np.array(v) for v in _EYES_M[view])
            if view in ("side", "corner") and hand == "left":  # to see the chest
                eye = eye * [-1.0, 1.0, 1.0]
        else:
            raise BadInput(f"view: want one of {list(VIEWS)}, got {view!r}")
        self.plotter.camera_position = [tuple(eye), tuple(target), tuple(up)]
        self.plotter.camera.view_angle = 30.0
        self.plotter.renderer.reset_camera_clipping_range()

    def picture(self, path: Path) -> None:
        """Write what is shown as a PNG file, whatever the name of the file."""
        self.plotter.render()
        rgb = np.asarray(self.plotter.screenshot(return_img=True))
        _, png = cv2.imencode(".png", np.ascontiguousarray(rgb[..., ::-1]))
        path.write_bytes(png.tobytes())
