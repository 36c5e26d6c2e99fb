"""What reading video has in common, short clips and long films: one model a process, pieces kept on disk."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path

import numpy as np

from calibration.checks import Array
from recon.keypoints import ClipTracks, MarkerOptions, PoseReader
from recon.session import TapeColours
from recon.store import write_whole

CLIP_FIELDS = ("t_cam_s", "uv_px", "visibility", "marker_sigma_px", "spread_px", "balls")


@cache
def reader_of(model: Path) -> PoseReader:
    """One for all pieces that a process reads: loading the model takes as long as four frames."""
    return PoseReader(model)


def markers_of(tape: TapeColours, ball_hues_deg: tuple[float, ...] = ()) -> MarkerOptions:
    """What the search for tape and ball is told of a session's colours; ball_hues_deg: more of a ball's."""
    return MarkerOptions(
        hues_deg=tape.hues_deg,
        tolerance_deg=tape.tolerance_deg,
        edge_hue_deg=tape.edge_hue_deg,
        ball_hues_deg=ball_hues_deg,
    )


def save_clip(path: Path, clip: ClipTracks) -> None:
    """Keep what was seen in a stretch of a clip; a file that is there is whole."""
    save_arrays(path, {f: getattr(clip, f) for f in CLIP_FIELDS})


def load_clip(path: Path) -> ClipTracks:
    """What `save_clip` kept."""
    with np.load(path) as data:
        return ClipTracks(*(data[f] for f in CLIP_FIELDS))


def save_arrays(path: Path, arrays: Mapping[str, Array]) -> None:
    """Keep arrays by name; a file that is there is whole."""

    def write(part: Path) -> None:
        with part.open("wb") as file:
            np.savez_compressed(file, allow_pickle=False, **arrays)

    write_whole(path, write)
