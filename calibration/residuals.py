"""What a fit leaves over, by place in the picture: a wrong lens model shows as a pattern, noise does not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.checks import Array, checked

_FIELDS = (16, 9)
_LEAST_CORNERS = 5


@dataclass(frozen=True, slots=True, eq=False)
class Residuals:
    """One camera's corners: uv_px (K, 2) and residual_px (K, 2), measured minus predicted."""

    camera: str
    size_px: tuple[int, int]
    uv_px: Array
    residual_px: Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "uv_px", checked(self.uv_px, (None, 2), f"{self.camera}: uv_px"))
        shape = self.uv_px.shape
        object.__setattr__(self, "residual_px", checked(self.residual_px, shape, f"{self.camera}: residual_px"))

    @property
    def rms_px(self) -> float:
        """rms length."""
        return float(np.sqrt((self.residual_px**2).sum(axis=1).mean()))


@dataclass(frozen=True, slots=True, eq=False)
class Pattern:
    """Mean residual of each field of the picture that holds five corners or more.

    centre_px, mean_px  (F, 2); u_px (F,) standard uncertainty of each component of the mean
    systematic_px       rms length of the part of the means that noise does not explain; 0 where it explains all
    z                   how far the summed squares of the means lie above what noise gives, in its own sigmas
    """

    centre_px: Array
    mean_px: Array
    u_px: Array
    systematic_px: float
    z: float


def pattern(of: Residuals, fields: tuple[int, int] = _FIELDS) -> Pattern:
    """The residuals' pattern over the picture.

    Corners of one view share its pose, which takes part of their noise away; so the means are, if anything,
    smaller than u_px says, and a pattern that is found is one.
    """
    size = np.array(of.size_px)
    cell = np.clip(np.floor((of.uv_px + 0.5) / size * fields).astype(int), 0, np.array(fields) - 1)
    key = cell[:, 0] * fields[1] + cell[:, 1]
    noise = 1.4826 * float(np.median(np.abs(of.residual_px - np.median(of.residual_px, axis=0))))
    centres, means, us = [], [], []
    for k in np.unique(key):
        own = key == k
        if own.sum() >= _LEAST_CORNERS:
            centres.append((np.array(divmod(int(k), fields[1])) + 0.5) * size / fields - 0.5)
            means.append(of.residual_px[own].mean(axis=0))
            us.append(noise / np.sqrt(own.sum()))
    mean, u = np.array(means).reshape(-1, 2), np.array(us)
    extra = float(((mean**2).sum(axis=1) - 2 * u**2).mean()) if len(u) else 0.0
    z = float(((mean / np.maximum(u, 1e-12)[:, None]) ** 2).sum() - 2 * len(u)) / np.sqrt(max(4 * len(u), 1))
    return Pattern(np.array(centres).reshape(-1, 2), mean, u, float(np.sqrt(max(extra, 0.0))), z)


def pattern_flags(all_residuals: Sequence[Residuals]) -> list[str]:
    """A sentence per camera whose lens model leaves a pattern beyond doubt and larger than a quarter pixel."""
    found = [(r.camera, pattern(r)) for r in all_residuals]
    return [
        f"{camera}: the lens model leaves a pattern of {p.systematic_px:.2f} px in the picture; see the "
        "residual picture, and record lens footage that fills it"
        for camera, p in found
        if p.z > 6 and p.systematic_px > 0.25
    ]
