"""Edges of painted lines found in pictures, and what a fit to them assumes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from calibration.checks import Array
from calibration.court.ruled_lines import Flags, Index
from calibration.errors import BadInput


@dataclass(frozen=True, kw_only=True, slots=True)
class LineOptions:
    """What the line fit assumes.

    paint_u_m  standard uncertainty of each end of each line against the rules' measure, across the line. Lines
               are commonly laid to within 5 mm between two measured marks; spread evenly that is 5 mm / sqrt 3
    bloom_u_px by how much a picture widens bright paint on each side (exposure, sharpening, tone curve); one
               unknown per camera. A tone curve widens a one-pixel blur by about a tenth of a pixel, strong
               sharpening or overexposure by a few tenths
    click_u_px of a clicked point along each image axis, as in CourtOptions
    """

    paint_u_m: float = 0.003
    bloom_u_px: float = 0.3
    click_u_px: float = 0.7

    def __post_init__(self) -> None:
        for name, low, high in (
            ("paint_u_m", 1e-5, 0.1),
            ("bloom_u_px", 1e-4, 5.0),
            ("click_u_px", 0.01, 50.0),
        ):
            if not low <= getattr(self, name) <= high:
                raise BadInput(f"{name}: want {low:g} to {high:g}, got {getattr(self, name)}")


@dataclass(frozen=True, slots=True, eq=False)
class EdgeSamples:
    """Edges of painted lines found in pictures; N of them.

    camera   (N,) index into the rig's cameras
    line     (N,) index into RULED_LINES
    along_m  (N,) place along the line, court frame
    share    (N,) 0 for the edge that the rules measure to, 1 for the other, 0.5 for the middle of thin paint
    uv_px    (N, 2) where the edge was found
    normal   (N, 2) unit, across the line's image from edge 0 to edge 1: only this component is measured
    u_px     (N,) standard uncertainty along the normal, white
    """

    camera: Index
    line: Index
    along_m: Array
    share: Array
    uv_px: Array
    normal: Array
    u_px: Array

    def __len__(self) -> int:
        return len(self.camera)

    def only(self, keep: Index | Flags) -> EdgeSamples:
        """The chosen ones."""
        return EdgeSamples(*(getattr(self, f.name)[keep] for f in fields(self)))


def joined_samples(parts: Sequence[EdgeSamples]) -> EdgeSamples:
    """Several sets as one."""
    return EdgeSamples(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(EdgeSamples)))
