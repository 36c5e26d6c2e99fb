"""The cameras' tracks at common rig times."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.errors import NotMeasurable
from recon.records import CameraTracks, Clock, Clocks, Tracks2D

_LARGEST_GAP_FRAMES = 3.5  # two lost frames in a row are bridged in the picture; a longer gap stays a gap
_SHORTEST_OVERLAP_S = 0.5


def common_times(tracks: Tracks2D, clocks: Clocks) -> Array:
    """Evenly spaced rig times (T,) at the fastest camera's rate, over all that two cameras saw together.

    Raises NotMeasurable where no two clips overlap by half a second.
    """
    starts, ends, steps = [], [], []
    for seen in tracks.cameras:
        start, end = clocks.of(seen.camera).rig_time(seen.t_cam_s[[0, -1]])
        starts.append(float(start))
        ends.append(float(end))
        steps.append(float(np.median(np.diff(seen.t_cam_s))))
    first, last = sorted(starts)[1], sorted(ends)[-2]
    if last - first < _SHORTEST_OVERLAP_S:
        shared = max(last - first, 0.0)
        raise NotMeasurable(
            f"the clips share {shared:.2f} s; want at least {_SHORTEST_OVERLAP_S} s seen by two cameras"
        )
    step = min(steps)
    return np.asarray(first + step * np.arange(int((last - first) / step) + 1))


def at_times(seen: CameraTracks, clock: Clock, t_rig_s: Array) -> tuple[Array, Array]:
    """Pixels (T, P, 2) and sigma (T, P) of one camera at rig times (T,), by cubic Hermite interpolation.

    Each pixel stands at the time when its own row was exposed. A neighbour on both sides within 3.5 frames is
    needed; sigma is the larger of the two neighbours'.
    """
    frame = float(np.median(np.diff(seen.t_cam_s)))
    uv = np.full((len(t_rig_s), seen.uv_px.shape[1], 2), np.nan)
    sigma = np.full(uv.shape[:2], np.nan)
    for p in range(uv.shape[1]):
        have = np.flatnonzero(~np.isnan(seen.sigma_px[:, p]))
        if len(have) < 2:
            continue
        pixels, sigmas = seen.uv_px[have, p], seen.sigma_px[have, p]
        times = clock.rig_time(seen.t_cam_s[have], pixels, seen.size_px)
        right = np.clip(np.searchsorted(times, t_rig_s), 1, len(times) - 1)
        width = times[right] - times[right - 1]
        s = (t_rig_s - times[right - 1]) / width
        inside = (s >= -0.01) & (s <= 1.01) & (width <= _LARGEST_GAP_FRAMES * frame)
        uv[inside, p] = _hermite(times, pixels, right, s)[inside]
        sigma[inside, p] = np.maximum(sigmas[right - 1], sigmas[right])[inside]
    return uv, sigma


def bridged(seen: CameraTracks) -> CameraTracks:
    """The tracks with gaps filled as `at_times` fills them; what was seen stays as it was.

    For searches that compare frame by frame. Not for fits: what is filled in is no observation.
    """
    uv, sigma = at_times(seen, Clock(seen.camera, 0.0, 0.0), seen.t_cam_s)
    gone = np.isnan(seen.sigma_px)
    return replace(
        seen,
        uv_px=np.where(gone[..., None], uv, seen.uv_px),
        sigma_px=np.where(gone, sigma, seen.sigma_px),
    )


def _hermite(times: Array, values: Array, right: NDArray[np.intp], s: Array) -> Array:
    slope = np.gradient(values, times, axis=0)
    i, j = right - 1, right
    width = (times[j] - times[i])[:, None]
    s = s[:, None]
    h00, h10 = (1 + 2 * s) * (1 - s) ** 2, s * (1 - s) ** 2
    h01, h11 = s**2 * (3 - 2 * s), s**2 * (s - 1)
    return np.asarray(h00 * values[i] + h10 * width * slope[i] + h01 * values[j] + h11 * width * slope[j])
