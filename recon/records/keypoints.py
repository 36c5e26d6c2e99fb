"""Names of the points that are followed, and which of them a drawing joins."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

_PAIRED = (
    "eye", "ear", "shoulder", "elbow", "wrist", "thumb", "index", "pinky",
    "hip", "knee", "ankle", "heel", "toe",
)  # fmt: skip

BODY: tuple[str, ...] = ("nose", *(f"{side}_{part}" for part in _PAIRED for side in ("left", "right")))
RACKET: tuple[str, ...] = ("racket_tip", "racket_throat", "racket_butt")
KEYPOINTS: tuple[str, ...] = (*BODY, *RACKET, "ball")
"""Stored names. Anatomical left and right, never mirrored: handedness belongs to the athlete."""

BONES: tuple[tuple[str, str], ...] = (
    ("left_shoulder", "right_shoulder"),
    ("left_hip", "right_hip"),
    *(
        (f"{side}_{a}", f"{side}_{b}")
        for side in ("left", "right")
        for a, b in (
            ("shoulder", "hip"),
            ("shoulder", "elbow"),
            ("elbow", "wrist"),
            ("wrist", "index"),
            ("wrist", "pinky"),
            ("hip", "knee"),
            ("knee", "ankle"),
            ("ankle", "heel"),
            ("heel", "toe"),
            ("ankle", "toe"),
            ("ear", "eye"),
        )
    ),
    ("left_eye", "nose"),
    ("right_eye", "nose"),
    ("racket_butt", "racket_throat"),
    ("racket_throat", "racket_tip"),
)
"""Lines that a drawing of the skeleton and the racket shows."""


def other_side(keypoint: str) -> str:
    """The point's name on a mirrored body: left and right exchanged; others stay."""
    other = {"left": "right", "right": "left"}
    return "_".join(other.get(word, word) for word in keypoint.split("_"))


def side_names(handedness: str) -> Mapping[str, str]:
    """The words a coach reads, as stored sides: hitting and tossing arm, front and back leg.

    The front foot is the one opposite the hitting arm. handedness is "right" or "left".
    """
    other = {"right": "left", "left": "right"}[handedness]
    return MappingProxyType({"hitting": handedness, "tossing": other, "front": other, "back": handedness})
