"""Tables for other programs: points in space, 2D keypoints and measures as CSV."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from recon.records import Motion, PointStatus, Tracks2D
from recon.result import Result
from recon.store import write_whole

POINTS_CSV = "points.csv"
KEYPOINTS_CSV = "keypoints.csv"
MEASURES_CSV = "measures.csv"


def export_tables(result: Result) -> tuple[Path, ...]:
    """Write points.csv, keypoints.csv and measures.csv into the session's derived folder; their paths."""
    tables = {
        POINTS_CSV: points_table(result.motion),
        KEYPOINTS_CSV: keypoints_table(result.tracks),
        MEASURES_CSV: measures_table(result),
    }
    paths = []
    for name, table in tables.items():
        path = result.session.derived / name
        write_whole(path, partial(table.to_csv, index=False))
        paths.append(path)
    return tuple(paths)


def points_table(motion: Motion) -> pd.DataFrame:
    """One row per instant and point: position and standard uncertainty in the court frame, metres.

    A point that is absent at an instant has no row; "bridged" rows run through from their neighbours.
    """
    present = ~np.isnan(motion.xyz_m).any(axis=2)
    t, p = np.nonzero(present)
    u = np.sqrt(np.einsum("tpii->tpi", motion.cov_m2))
    columns: dict[str, object] = {
        "time_s": motion.t_s[t].round(6),
        "keypoint": np.array(motion.keypoints)[p],
    }
    for axis, name in enumerate("xyz"):
        columns[f"{name}_m"] = motion.xyz_m[t, p, axis].round(5)
    for axis, name in enumerate("xyz"):
        columns[f"u_{name}_m"] = u[t, p, axis].round(5)
    columns["status"] = [PointStatus(code).name.lower() for code in motion.status[t, p]]
    return pd.DataFrame(columns)


def keypoints_table(tracks: Tracks2D) -> pd.DataFrame:
    """The 2D points in the form that a session may name as its own keypoints (docs/files.md)."""
    parts = []
    for seen in tracks.cameras:
        t, p = np.nonzero(~np.isnan(seen.sigma_px))
        parts.append(
            pd.DataFrame(
                {
                    "camera": seen.camera,
                    "time_s": seen.t_cam_s[t].round(6),
                    "keypoint": np.array(tracks.keypoints)[p],
                    "u_px": seen.uv_px[t, p, 0].round(3),
                    "v_px": seen.uv_px[t, p, 1].round(3),
                    "sigma_px": seen.sigma_px[t, p].round(3),
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def measures_table(result: Result) -> pd.DataFrame:
    """One row per measure, SI units; an absent value has its reason instead."""
    rows = [
        {
            "measure": m.name, "unit": m.unit, "value": m.value, "u": m.u, "low95": m.low95, "high95": m.high95,
            "time_s": m.t_s, "note": m.note, "absent_because": m.reason,
        }
        for m in result.measures.measures
    ]  # fmt: skip
    return pd.DataFrame(rows)
