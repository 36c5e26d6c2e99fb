"""Which frames are worth clicking: the tip in five frames of two cameras, while the racket drops."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import ceil

import numpy as np

from calibration.checks import Array
from recon.racket_points.foretold import Seen

LEAST_FRAMES = 5
LEAST_CAMERAS = 2
TIP = "racket_tip"
_BEFORE_S, _AFTER_S = 0.36, 0.04  # of the racket's low point: the crossing of the spine plane lies in between
_APART_S = 0.1  # the motion is trusted to run through for that long


def wanted_instants(trophy_s: float | None, low_s: float | None, contact_s: float | None) -> Array:
    """Rig times (N,) worth clicking, as near as the motion runs through; none where no instant is known."""
    if low_s is None:
        if contact_s is None:
            return np.empty(0)
        low_s = (
            contact_s - 0.1
        )  # common practice: the racket is lowest about a tenth of a second before contact
    first = low_s - _BEFORE_S if trophy_s is None else max(trophy_s, low_s - _BEFORE_S)
    last = low_s + _AFTER_S
    count = max(LEAST_FRAMES, ceil((last - first) / _APART_S - 1e-6) + 1)
    return np.linspace(first, last, count)


def still_wanted(clicks: Sequence[Seen], cameras: Sequence[str], words: Mapping[str, str]) -> str:
    """What is still to be clicked, as a sentence for the page. words: how a camera is called there."""
    count = {c: len({k.t_s for k in clicks if k.camera == c and k.point == TIP}) for c in cameras}
    best = sorted(cameras, key=lambda c: -count[c])[:LEAST_CAMERAS]
    lacking = [f"{words[c]} {LEAST_FRAMES - count[c]} more" for c in best if count[c] < LEAST_FRAMES]
    if lacking:
        goal = f"tip in {LEAST_FRAMES} frames of {LEAST_CAMERAS} cameras"
        return f"Wanted: {goal}. Still: {', '.join(lacking)}."
    gaps = {c: _widest(clicks, c) for c in best}
    wide = [f"{words[c]} ({1e3 * gap:.0f} ms)" for c, gap in gaps.items() if gap > _APART_S + 0.005]
    if wide:
        return f"Enough frames, but some lie more than {1e3 * _APART_S:.0f} ms apart: {', '.join(wide)}."
    return "Enough for the crossing. More frames, and throat and butt, make it surer. Then run measure again."


def _widest(clicks: Sequence[Seen], camera: str) -> float:
    times = np.array(sorted(k.t_s for k in clicks if k.camera == camera and k.point == TIP))
    return float(np.diff(times).max(initial=0.0))
