"""Athlete, script and body put together: what truth and film both start from."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
from scipy.sparse import csr_matrix

from calibration.checks import Array
from calibration.errors import BadInput
from demo_rigs.body import Body, load_body
from demo_rigs.description import HERE, Athlete, ServeEntry
from demo_rigs.motion import Moment, Serve, load_script
from demo_rigs.skeleton import leg_length_m

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
    if athlete.shape:
        return load_body(wheel, athlete.shape, athlete.height_m)
    if athlete.figure not in _FIGURES:
        raise BadInput(f"athlete {athlete.key}: unknown figure {athlete.figure!r}; have {sorted(_FIGURES)}")
    return load_body(wheel, _FIGURES[athlete.figure], athlete.height_m)


def build_serve(wheel: Path, entry: ServeEntry) -> Serve:
    """The serve of a session entry, ready to be asked for any instant."""
    body = athlete_body(wheel, entry.athlete)
    script = load_script(
        HERE / "serves" / f"{entry.script or entry.name}.toml", entry.style, leg_length_m(body)
    )
    return Serve(body, script, entry.athlete.handedness)


class Skin:
    """Linear blend skinning of one dressed body, quick enough for every blur step."""

    def __init__(self, weights: Array, vertices_m: Array, normals: Array) -> None:
        self._weights = csr_matrix(weights.astype(np.float32))
        self._v = vertices_m.astype(np.float32)
        self._n = normals.astype(np.float32)

    def at(self, moment: Moment, k: int) -> tuple[Array, Array]:
        """Vertices (V, 3) and normals (V, 3) at instant k, reflected for a left-hander; float32."""
        packed = np.concatenate([moment.bone_R[k].reshape(-1, 9), moment.bone_t_m[k]], axis=1).astype(
            np.float32
        )
        blend = self._weights @ packed
        R = blend[:, :9].reshape(-1, 3, 3)
        v = np.einsum("vij,vj->vi", R, self._v) + blend[:, 9:]
        n = np.einsum("vij,vj->vi", R, self._n)
        if moment.mirrored:
            v[:, 0] *= -1
            n[:, 0] *= -1
        return v, n
