"""The files that a user writes by hand: rig.toml, session.toml and the clicks on the court pictures."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np

from calibration.court.model import COURT_POINTS_M, NET_HEIGHT_CENTRE_M, NET_Y_M
from calibration.geometry import Camera
from demo_rigs.description import Academy, ServeEntry
from demo_rigs.footage import finished

CLICK_NOISE_PX = 0.5
_BORDER_PX = 3.0


def rig_toml(a: Academy) -> str:
    """The rig folder's description."""
    b = a.board
    lines = [
        f"name = {json.dumps(a.rig_name)}", "", "[board]", f"columns = {b.columns}", f"rows = {b.rows}",
        f"square_mm = {b.square_mm}",
    ]  # fmt: skip
    for name in a.cameras:
        lines += ["", "[[camera]]", f'name = "{name}"', f'lens_footage = "lens/{name}.mp4"']
        lines += [f'court_picture = "court/{name}.png"']
    for s in a.shared:
        lines += ["", "[[shared]]", "[shared.footage]"]
        lines += [f'{name} = "shared/{s.label}_{name}.mp4"' for name in s.cameras]
    return "\n".join(lines) + "\n"


def session_toml(a: Academy, serve: ServeEntry) -> str:
    """A session folder's description. Height as a person would state it."""
    who = serve.athlete
    lines = ['rig = "../rig"', f"athlete = {json.dumps(who.label)}", f'handedness = "{who.handedness}"']
    lines += [f"height_m = {who.height_m:.2f}", "", "[video]", *(f'{n} = "{n}.mp4"' for n in a.cameras)]
    lines += ["", "[shutter]", *(f"{n} = {{ readout_ms = 0 }}" for n in a.cameras)]  # rendered so
    return "\n".join(lines) + "\n"


def clicks(a: Academy) -> list[tuple[str, str, float, float]]:
    """What a person would click: each visible named point's true pixel plus seeded Gaussian noise."""
    rng = np.random.default_rng([a.seed, 31])
    out = []
    for name, camera in a.cameras.items():
        for point, xyz in COURT_POINTS_M.items():
            if xyz[2] > 0:  # the demo's person clicks painted points only
                continue
            u, v = camera.project(np.array(xyz)) + rng.normal(0, CLICK_NOISE_PX, 2)
            if _clickable(camera, np.array(xyz), np.array([u, v])):
                out.append((name, point, float(u), float(v)))
    return out


def _clickable(camera: Camera, xyz: np.ndarray, uv: np.ndarray) -> bool:
    """Inside the picture, and not seen through the net's cords."""
    size = np.array(camera.size_px)
    if not np.all((uv > _BORDER_PX) & (uv < size - 1 - _BORDER_PX)):
        return False
    c = camera.centre_m()
    if xyz[1] <= NET_Y_M:
        return True
    s = (NET_Y_M - c[1]) / (xyz[1] - c[1])
    return bool(c[2] + s * (xyz[2] - c[2]) > NET_HEIGHT_CENTRE_M + 0.16)


def write_rig_files(a: Academy, folder: Path) -> None:
    """rig.toml and court_clicks.csv of the rig folder."""
    with finished(folder / "rig.toml") as draft:
        draft.write_text(rig_toml(a), encoding="utf-8")
    with finished(folder / "court_clicks.csv") as draft, draft.open("w", newline="", encoding="utf-8") as f:
        table = csv.writer(f, lineterminator="\n")
        table.writerow(["camera", "point", "u_px", "v_px"])
        table.writerows([c, p, f"{u:.3f}", f"{v:.3f}"] for c, p, u, v in clicks(a))


def write_session_file(a: Academy, serve: ServeEntry, folder: Path) -> None:
    """session.toml of a serve's folder."""
    with finished(folder / "session.toml") as draft:
        draft.write_text(session_toml(a, serve), encoding="utf-8")
