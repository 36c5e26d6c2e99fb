"""Points taken for the racket that no hand holds: clothes or court in the colour of its tape.

Cameras agree on where such a patch is, so nothing in the pictures tells it from tape. But what is held stays
with the hand: how far a racket's points are from the wrist is known within limits, and the tip's distance
changes little.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.motion.between import without_pixels
from recon.records import RACKET, Motion, PointStatus, Tracks2D

_FROM_WRIST_M = {"racket_butt": (0.0, 0.30), "racket_throat": (0.0, 0.45), "racket_tip": (0.25, 0.85)}
"""Nearest and farthest that a held racket's points are: from a child's shortest racket on, with room for a
wrist that bends and is told wrongly."""
_WRIST_BENDS = 1.4  # by what factor the tip's distance from a wrist changes; a bending wrist makes it a third
_MOSTLY = (15.0, 85.0)  # percent of the instants: a racket is handed over, and tape is mistaken now and then
_LEAST_INSTANTS = 20


@dataclass(frozen=True, slots=True)
class Unheld:
    """What was taken for a point of the racket, and is not held."""

    point: str

    def sentence(self) -> str:
        """For whoever reads the result: what is wrong, what was done, what helps."""
        return (
            f"what has the colour of the tape at the {self.point.replace('_', ' ')} does not move with a hand, "
            "as clothes or a thing on court would; it was left out. `courtplumb tape` tells whether a colour "
            "occurs elsewhere in the picture; `courtplumb racket` lets you click the racket instead"
        )


def without_unheld(tracks: Tracks2D, motion: Motion) -> tuple[Tracks2D, tuple[Unheld, ...]]:
    """Tracks without racket points that no hand holds, and which these were.

    Asked is each point that was seen together with a wrist at 20 instants or more; of both wrists the one that
    fits counts, for which hand holds the racket may have been told wrongly.
    """
    wrists = [n for n in ("left_wrist", "right_wrist") if n in motion.keypoints]
    unheld = []
    for name in (n for n in RACKET if n in motion.keypoints):
        told = [h for w in wrists if (h := _is_held(motion, name, w)) is not None]
        if told and not any(told):
            unheld.append(name)
    gone = {c.camera: {n: np.ones(len(c.t_cam_s), dtype=bool) for n in unheld} for c in tracks.cameras}
    return without_pixels(tracks, gone)[0], tuple(Unheld(n) for n in unheld)


def _is_held(motion: Motion, name: str, wrist: str) -> bool | None:
    """Whether a point stays with a wrist; None where both were hardly seen together."""
    both = _seen(motion, name) & _seen(motion, wrist)
    if both.sum() < _LEAST_INSTANTS:
        return None
    apart = np.linalg.norm(motion.path(name) - motion.path(wrist), axis=1)[both]
    low, high = np.percentile(apart, _MOSTLY)
    least, most = _FROM_WRIST_M[name]
    return bool(least <= low and high <= most and (least == 0 or high <= _WRIST_BENDS * low))


def _seen(motion: Motion, name: str) -> NDArray[np.bool_]:
    return np.asarray(motion.status[:, motion.index(name)] == PointStatus.OK)
