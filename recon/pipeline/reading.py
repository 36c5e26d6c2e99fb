"""What processes that read video have in common: a quiet start, one pose model each, pieces kept on disk."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from pathlib import Path

import numpy as np

from calibration.checks import Array
from recon.keypoints import ClipTracks, PoseReader
from recon.store import write_whole

CLIP_FIELDS = ("t_cam_s", "uv_px", "visibility", "marker_sigma_px", "spread_px")


def readers(count: int) -> ProcessPoolExecutor:
    """So many processes. Spawned: the model's library has threads of its own, which a fork would freeze."""
    return ProcessPoolExecutor(count, multiprocessing.get_context("spawn"), initializer=_quiet)


def _quiet() -> None:
    """The model's library writes dozens of lines about itself to the error stream of every worker."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)


@cache
def reader_of(model: Path) -> PoseReader:
    """One for all pieces that a process reads: loading the model takes as long as four frames."""
    return PoseReader(model)


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
