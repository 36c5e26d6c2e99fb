"""Where the published stereo set lies: 13 pairs of a 9 x 6 board, carried by Debian's package opencv-doc."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

PLACES = (
    os.environ.get("COURTPLUMB_STEREO_SET", ""),
    "/usr/share/doc/opencv-doc/examples/data",
    "/usr/share/doc/opencv-doc/examples/cpp",
)


def stereo_pictures() -> Path:
    """Its folder; skips the test where it is not there."""
    for place in PLACES:
        if place and (Path(place) / "left01.jpg").exists() and (Path(place) / "right14.jpg").exists():
            return Path(place)
    pytest.skip(
        "stereo set not found: install Debian's opencv-doc, or name its folder in COURTPLUMB_STEREO_SET"
    )
