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
"""Stored names of the points that every clip is searched for. Anatomical left and right, never mirrored:
handedness belongs to the athlete."""

EDGES: tuple[str, ...] = ("racket_edge_1", "racket_edge_2")
"""Both sides of the racket's head where it is widest, where they are taped or told.

In pixels they are a pair in either order; in space the first is on the right of who looks along the normal of
the face that hits, the tip being up.
"""
SOUGHT: tuple[str, ...] = (*KEYPOINTS, *EDGES)
"""All names that a clip or a file may have; tracks without edges hold KEYPOINTS alone."""

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
