"""Which frames are worth clicking: the tip in five frames of two cameras, while the racket drops."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from calibration.checks import Array
from recon.racket_points.foretold import Seen

LEAST_FRAMES = 5
LEAST_CAMERAS = 2
TIP = "racket_tip"
_BEFORE_S = (0.265, 0.21, 0.155, 0.11, 0.07)
"""Before contact, nearer to each other as the racket gets faster: on the rendered serves the tip is nearest to
the spine plane 0.15 to 0.18 s before contact, and lowest 0.08 to 0.10 s before it."""
_LOW_S = 0.09
_APART_S = 0.07  # the curve through clicks is trusted for that long where the picture cannot be followed


def wanted_instants(contact_s: float | None, low_s: float | None = None) -> Array:
    """Rig times (N,) worth clicking; none where neither contact nor the racket's low point is known."""
    if contact_s is None:
        if low_s is None:
            return np.empty(0)
        contact_s = low_s + _LOW_S
    return contact_s - np.array(_BEFORE_S)


def still_wanted(clicks: Sequence[Seen], cameras: Sequence[str], words: Mapping[str, str]) -> str:
    """What is still to be clicked, as a sentence for the page. words: how a camera is called there."""
    count = {c: len({k.t_s for k in clicks if k.camera == c and k.point == TIP}) for c in cameras}
    best = sorted(cameras, key=lambda c: -count[c])[:LEAST_CAMERAS]
    lacking = [f"{words[c]} {LEAST_FRAMES - count[c]} more" for c in best if count[c] < LEAST_FRAMES]
    if lacking:
        goal = f"tip in {LEAST_FRAMES} frames of {LEAST_CAMERAS} cameras"
        return f"Wanted: {goal}. Still: {', '.join(lacking)}."
    gaps = {c: _widest(clicks, c) for c in best}
    wide = [f"{words[c]} ({1e3 * gap:.0f} ms)" for c, gap in gaps.items() if gap > _APART_S]
    if wide:
        return f"Enough frames, but some lie more than {1e3 * _APART_S:.0f} ms apart: {', '.join(wide)}."
    return "Enough around the crossing. Earlier frames, throat and butt make it surer. Then measure again."


def _widest(clicks: Sequence[Seen], camera: str) -> float:
    times = np.array(sorted(k.t_s for k in clicks if k.camera == camera and k.point == TIP))
    return float(np.diff(times).max(initial=0.0))
