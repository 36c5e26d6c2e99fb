"""Clocks from a flash of light that all cameras saw, to a part of a frame where the shutter rolls."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array, checked
from calibration.errors import BadInput, NotMeasurable
from recon.sync.instants import SameInstant

FLASH = "flash"
_STANDS_OUT = 12.0  # times the usual change from picture to picture
_LONGEST_S = 0.05  # a flash is over by then; a lamp or a cloud is not
_LIT = 0.3  # of the most lit bands' gain
_LEAST_U_S = 5e-5  # a flash's own length, and how soft its ends are, beyond a band


@dataclass(frozen=True, slots=True, eq=False)
class Brightness:
    """How bright one camera's pictures are, in bands across the direction in which its sensor is read.

    t_cam_s (T,) the pictures' times, of their middle row; bands (T, B) mean brightness of each band
    share (B,) how much later than the middle row each band is exposed, as a share of the readout
    readout_s, u_readout_s  of the shutter
    """

    camera: str
    t_cam_s: Array
    bands: Array
    share: Array
    readout_s: float
    u_readout_s: float

    def __post_init__(self) -> None:
        bands = checked(self.bands, (len(self.t_cam_s), len(self.share)), f"{self.camera}: bands")
        if len(bands) < 8:
            raise BadInput(f"{self.camera}: want 8 pictures or more, got {len(bands)}")
        object.__setattr__(self, "bands", bands)


def flash_time(seen: Brightness) -> tuple[float, float]:
    """When a flash came, on the camera's own clock, and its standard uncertainty.

    A flash lights every row that is open when it comes. The middle of the lit rows' own times is the flash;
    each end of them lies anywhere between a dark and a lit row (a rectangular distribution, JCGM 100:2008,
    4.3.7): a band apart within a picture, but from the last row of one picture to the first of the next where
    the lit rows reach the edge or all rows are exposed at once. The ends may err alike. Raises NotMeasurable
    where no flash stands out, or the light stays on.
    """
    t, lit = _lit(seen)
    on = np.flatnonzero(lit)
    first, last = int(on[0]), int(on[-1])
    if first == 0 or last == len(t) - 1:
        raise NotMeasurable("the flash comes at the clip's end")
    low, high = (t[first - 1] + t[first]) / 2, (t[last] + t[last + 1]) / 2
    u_ends = (t[first] - t[first - 1] + t[last + 1] - t[last]) / 2 / np.sqrt(12)
    nearest = int(np.abs(seen.t_cam_s - (low + high) / 2).argmin())
    lean = ((low + high) / 2 - seen.t_cam_s[nearest]) / seen.readout_s if seen.readout_s else 0.0
    return float((low + high) / 2), float(np.sqrt(u_ends**2 + (seen.u_readout_s * lean) ** 2 + _LEAST_U_S**2))


def _lit(seen: Brightness) -> tuple[Array, NDArray[np.bool_]]:
    """Times (N,) of all bands around the flash, in order, and whether each was lit."""
    bands, share = (
        (seen.bands, seen.share) if seen.readout_s else (seen.bands.mean(axis=1)[:, None], np.zeros(1))
    )
    step = float(np.median(np.diff(seen.t_cam_s)))
    change = np.diff(bands, axis=0)
    usual = 1.4826 * float(np.median(np.abs(change))) + 1e-6
    k = int(change.max(axis=1).argmax())  # the picture after it is the most lit
    if change[k].max() < _STANDS_OUT * usual:
        raise NotMeasurable("no flash stands out")
    first = max(k - 1, 0)  # one earlier may be lit in part
    last = min(k + 3 + round(_LONGEST_S / step), len(bands))
    dark = np.median(bands[max(first - 8, 0) : first + 1], axis=0)
    gain = bands[first:last] - dark
    relative = gain / np.maximum(dark, 0.1 * np.median(dark))  # bright things throw more of it back
    full = np.sort(relative, axis=None)[-min(5, bands.shape[1]) :].mean()
    lit = (relative > _LIT * full) & (gain > _STANDS_OUT / 3 * usual)
    if lit[-1].any():
        raise NotMeasurable("the light stays on")
    times = (seen.t_cam_s[first:last, None] + seen.readout_s * share).ravel()
    order = np.argsort(times, kind="stable")
    return times[order], lit.ravel()[order]


def instant_flashed(seen: Sequence[Brightness]) -> SameInstant:
    """The flash by each camera's clock; light takes no time. Raises NotMeasurable, naming the camera."""
    found = []
    for one in seen:
        try:
            found.append(flash_time(one))
        except NotMeasurable as error:
            raise NotMeasurable(f"{one.camera}: {error}") from error
    t, u = np.array(found).T
    return SameInstant(FLASH, tuple(one.camera for one in seen), t, np.diag(u**2))
