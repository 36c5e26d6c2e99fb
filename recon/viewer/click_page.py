"""The page on which a person clicks the court's named points in each camera's picture.

Knows calibration only. Every change is written to court_clicks.csv at once, whole or not at all; the button
"register" calls back to whoever opened the page and shows, click by click, how well the court fits.
"""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import (
    OUTLINES_M,
    POINTS,
    Array,
    BadInput,
    CalibratedRig,
    Camera,
    Click,
    RigFolder,
    picture,
    read_clicks,
    read_rig_folder,
    write_clicks,
)
from calibration.court.clicks import LEAST_EACH, WANTED_EACH
from calibration.court_rig import player_u_m
from recon.curves import true_runs
from recon.viewer.local_page import DeskHandler, DeskServer, assets

Register = Callable[[], CalibratedRig]
"""Registers the court from the clicks, saved by then; returns the rig in the court. Raises BadInput."""

_STEP_M = 0.25  # spacing of the points that a drawn-back line is made of: a lens bends it


def court_in_picture(camera: Camera) -> list[list[list[float]]]:
    """The court's outlines as polylines of pixels (pixel centres at integers), cut where they leave view."""
    w, h = camera.size_px
    out = []
    for line in OUTLINES_M:
        corners = np.array(line)
        steps = [max(2, int(np.linalg.norm(b - a) / _STEP_M)) for a, b in itertools.pairwise(corners)]
        legs = [np.linspace(a, b, n + 1) for (a, b), n in zip(itertools.pairwise(corners), steps, strict=True)]
        points = np.concatenate(legs)
        uv = camera.project(points)
        near = np.abs(uv / [w, h] - 0.5).max(axis=1) < 1.0  # up to half a picture outside; NaN is not near
        seen = near & _within_lens(camera, points)
        out += [uv[a:b].round(2).tolist() for a, b in true_runs(seen) if b - a > 1]
    return out


def _within_lens(camera: Camera, points_m: Array) -> NDArray[np.bool_]:
    """Whether points lie inside the cone that the picture shows, and half as much again.

    Beyond it the lens terms are extrapolated, and may fold far points back into the picture.
    """
    w, h = camera.size_px
    corners = np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])
    n = camera.normalised(corners)
    limit = 1.5 * float(np.nanmax(np.linalg.norm(n, axis=1))) if np.isfinite(n).any() else np.inf
    x = camera.cam_from_world.apply(points_m)
    return np.asarray(np.linalg.norm(x[:, :2], axis=1) <= limit * np.maximum(x[:, 2], 0.0))


class ClickDesk:
    """What the page works on: the rig folder, its pictures, and the clicks as last saved."""

    def __init__(self, folder: RigFolder, register: Register) -> None:
        self.folder = folder
        self.register = register
        self._busy = threading.Lock()
        self.pictures: dict[str, bytes] = {}
        self.sizes_px: dict[str, tuple[int, int]] = {}
        for camera in folder.cameras:
            if camera.court_picture is None:
                continue
            image = picture(camera.court_picture)
            self.sizes_px[camera.name] = (image.shape[1], image.shape[0])
            self.pictures[camera.name] = cv2.imencode(".png", image)[1].tobytes()
        if not self.pictures:
            raise BadInput(f"{folder.root / 'rig.toml'}: camera: want a court_picture for at least one camera")
        path = folder.clicks_path
        self._clicks = read_clicks(path) if path.exists() else []

    def state(self) -> dict[str, Any]:
        """Everything the page starts from."""
        return {
            "rig": self.folder.name,
            "cameras": [
                {"name": n, "width": w, "height": h} for n, (w, h) in self.sizes_px.items()
            ],
            "points": [{"name": p.name, "x": p.x_m, "y": p.y_m, "how": p.how_to_click} for p in POINTS],
            "outlines": [[list(p[:2]) for p in line] for line in OUTLINES_M],
            "clicks": [_as_json(c) for c in self._clicks],
            # per camera, where no board ties the cameras to each other; with one, a few points over all will do
            "wanted": None if self.folder.shared else {"least": LEAST_EACH, "good": WANTED_EACH},
        }  # fmt: skip

    def save(self, rows: object) -> int:
        """Take all clicks anew and write them; returns how many.

        Raises BadInput and then leaves the file as it was.
        """
        if not isinstance(rows, list):
            raise BadInput("clicks: want a list")
        clicks = [_from_json(row) for row in rows]
        names = [(c.camera, c.point) for c in clicks]
        if len(set(names)) != len(names):
            raise BadInput("clicks: want each point once per camera")
        for c in clicks:
            w, h = self._size_px(c.camera)
            u, v = c.uv_px
            if not (-0.5 <= u <= w - 0.5 and -0.5 <= v <= h - 0.5):
                raise BadInput(
                    f"click on {c.point} in {c.camera}: want it inside the picture, got {u:g}, {v:g}"
                )
        with self._busy:
            if clicks:
                write_clicks(self.folder.clicks_path, clicks)
            else:  # a file without clicks is an error elsewhere; no file says the same and is none
                self.folder.clicks_path.unlink(missing_ok=True)
            self._clicks = clicks
        return len(clicks)

    def registered(self) -> dict[str, Any]:
        """Run the callback; what the page shows of its result. Raises what the callback raises."""
        with self._busy:
            rig = self.register()
        if rig.court is None or rig.frame != "court":
            raise BadInput("the registration gave a rig that is not in the court")
        rows = [
            {"camera": c.camera, "point": c.point, "residual_px": c.residual_px, "used": c.used}
            for c in rig.court.clicks
        ]
        drawn = {c.name: court_in_picture(c) for c in rig.cameras if c.name in self.sizes_px}
        known = player_u_m(rig)
        return {
            "rms_px": rig.court.rms_px, "rows": rows, "drawn": drawn, "flags": list(rig.flags),
            "player_u_mm": None if known is None else [1e3 * u for u in known],
        }  # fmt: skip

    def _size_px(self, camera: str) -> tuple[int, int]:
        if camera not in self.sizes_px:
            raise BadInput(
                f"clicks: no camera {camera!r} with a court picture; there are {list(self.sizes_px)}"
            )
        return self.sizes_px[camera]


def _as_json(c: Click) -> dict[str, Any]:
    return {"camera": c.camera, "point": c.point, "u_px": float(c.uv_px[0]), "v_px": float(c.uv_px[1])}


def _from_json(row: object) -> Click:
    if not isinstance(row, dict) or set(row) != {"camera", "point", "u_px", "v_px"}:
        raise BadInput(f"clicks: want camera, point, u_px, v_px; got {row!r}")
    try:
        uv = np.array([float(row["u_px"]), float(row["v_px"])]).round(3)
    except (TypeError, ValueError) as error:
        raise BadInput(f"clicks: want numbers, got {row!r}") from error
    return Click(str(row["camera"]), str(row["point"]), uv)


class _Handler(DeskHandler):
    server: DeskServer[ClickDesk]
    assets = assets("click_page", "clicked_picture.js")

    def get(self, path: str) -> bool:
        desk = self.server.desk
        name = path.removeprefix("/picture/")
        if name != path and name in desk.pictures:
            self.answer(200, desk.pictures[name], "image/png")
            return True
        return super().get(path)

    def post(self, path: str, body: object) -> bool:
        if path == "/clicks":
            self.answer_json(200, {"saved": self.server.desk.save(body)})
        elif path == "/register":
            self.answer_json(200, self.server.desk.registered())
        else:
            return super().post(path, body)
        return True


def click_court(
    rig_folder: Path | str,
    register: Register,
    *,
    port: int = 0,
    open_browser: bool = True,
    on_ready: Callable[[str], None] | None = None,
) -> None:
    """Serve the clicking page on this machine only, until "finish" is pressed or it is interrupted.

    on_ready gets the page's address once it can be opened (the command line prints it).
    Raises BadInput for a broken rig folder, unreadable pictures or clicks.
    """
    desk = ClickDesk(read_rig_folder(rig_folder), register)
    DeskServer(port, _Handler, desk).serve(open_browser=open_browser, on_ready=on_ready)
