"""Athlete, script and body put together: what truth and film both start from."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput
from demo_rigs.body import Body, load_body
from demo_rigs.description import HERE, Athlete, ServeEntry
from demo_rigs.motion import MIRROR, Moment, Serve, load_script

_RACES = ("african", "asian", "caucasian")
_FIGURES: Mapping[str, Mapping[str, float]] = {
    "male": {
        **{f"macrodetails/{r}-male-young": 1 / 3 for r in _RACES},
        "macrodetails/universal-male-young-maxmuscle-averageweight": 0.35,
        "macrodetails/universal-male-young-averagemuscle-minweight": 0.25,
    },
    "female": {
        **{f"macrodetails/{r}-female-young": 1 / 3 for r in _RACES},
        "macrodetails/universal-female-young-averagemuscle-averageweight": 0.6,
        "macrodetails/universal-female-young-maxmuscle-averageweight": 0.4,
    },
}
"""Shape targets per figure: an even mix of the mesh's three adult prototypes, a little trained."""


def athlete_body(wheel: Path, athlete: Athlete) -> Body:
    """The athlete's body at rest. Raises BadInput for an unknown figure or an unusable wheel."""
    if athlete.figure not in _FIGURES:
        raise BadInput(f"athlete {athlete.key}: unknown figure {athlete.figure!r}; have {sorted(_FIGURES)}")
    return load_body(wheel, _FIGURES[athlete.figure], athlete.height_m)


def build_serve(wheel: Path, entry: ServeEntry) -> Serve:
    """The serve of a session entry, ready to be asked for any instant."""
    script = load_script(HERE / "serves" / f"{entry.name}.toml")
    return Serve(athlete_body(wheel, entry.athlete), script, entry.athlete.handedness)


def skinned(body: Body, moment: Moment, k: int, vertices_m: Array, normals: Array) -> tuple[Array, Array]:
    """Linear blend skinning at instant k: vertices (V, 3) and normals (V, 3), reflected for a left-hander."""
    packed = np.concatenate([moment.bone_R[k].reshape(-1, 9), moment.bone_t_m[k]], axis=1)
    blend = body.weights @ packed
    R = blend[:, :9].reshape(-1, 3, 3)
    v = (R @ vertices_m[:, :, None])[..., 0] + blend[:, 9:]
    n = (R @ normals[:, :, None])[..., 0]
    return (v * MIRROR, n * MIRROR) if moment.mirrored else (v, n)
