"""The scene as a picture file, without any window."""

from __future__ import annotations

from pathlib import Path

from recon.result import Result
from recon.scene import key_instant_s, moving_parts, still_parts
from recon.store import write_whole
from recon.viewer.drawing import Drawing, off_screen_plotter

_SIZE_PX = (1280, 960)


def save_picture(result: Result, path: Path, *, view: str = "corner", t_s: float | None = None) -> None:
    """Write a PNG of the scene at a rig time (the key instant where none is given).

    Raises BadInput for an unknown view.
    """
    t = key_instant_s(result) if t_s is None else t_s
    plotter = off_screen_plotter(_SIZE_PX)
    try:
        drawing = Drawing(plotter)
        drawing.show((*still_parts(result), *moving_parts(result, t)))
        drawing.look(view, result, t)
        write_whole(Path(path), drawing.picture)
    finally:
        plotter.close()
