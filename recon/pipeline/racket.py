"""The racket of a session: rigid, with the edges of its head where tape or a file tells them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.checks import Array
from calibration.geometry import Camera
from recon.motion import EdgedRacket, Held, MotionSupport, add_edges, hold_racket
from recon.records import Clocks, Motion, Tracks2D
from recon.session import Session
from recon.uncertainty import ErrorModel, JointDraws


@dataclass(frozen=True, slots=True, eq=False)
class WithRacket:
    """A motion with its racket solved: draws of the pixels' error (D, T, P, 3) and support (T, P, C) with it.

    model  of what else is wrong, for as many points;  told: sentences for a run's record
    """

    motion: Motion
    pixels_m: Array
    support_px: Array
    model: ErrorModel
    told: tuple[str, ...]


def with_racket(
    session: Session,
    cameras: Sequence[Camera],
    edges: Tracks2D | None,
    clocks: Clocks,
    held: Held,
    support: MotionSupport,
    model: ErrorModel,
) -> WithRacket:
    """The held motion with a rigid racket. edges: tracks that hold head edges too, where there are any."""
    racket = hold_racket(held, support, session.file.serve.racket_length_m, seed=model.seed)
    motion, pixels = racket.held.motion, racket.held.draws_m
    found: EdgedRacket | str = ""
    if edges is not None:
        found = add_edges(
            cameras, edges, clocks, motion, pixels, racket.support_px, racket.shape, model.seed
        )  # fmt: skip
    if isinstance(found, str):
        told = (*racket.told, *([found] if found else ()))
        return WithRacket(motion, pixels, racket.support_px, model, told)
    if model.joint_draws is not None:
        model = replace(model, joint_draws=_none_for_more(model.joint_draws, len(found.motion.keypoints)))
    told = (*racket.told, found.told)
    return WithRacket(found.motion, found.draws_m, found.support_px, model, told)


def _none_for_more(draws: JointDraws, points: int) -> JointDraws:
    """Draws for so many points: those after the first have no joint to be off from."""

    def padded(count: int, rng: np.random.Generator) -> Array:
        moved = draws(count, rng)
        return np.pad(moved, ((0, 0), (0, 0), (0, points - moved.shape[2]), (0, 0)))

    return padded
