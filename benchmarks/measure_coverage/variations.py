"""What varies from serve to serve, drawn from one seed: each kind as often as its table says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TypeVar

import numpy as np

SEED = 20265
COUNT = 44
_T = TypeVar("_T")

SHARES: Mapping[str, Mapping[object, int]] = MappingProxyType({
    "handedness": {"right": 1, "left": 1},
    "script": {"clean_right": 1, "compensating_left": 1},
    "footwork": {"platform": 5, "pinpoint": 3, "platform, grounded": 2, "pinpoint, grounded": 1},
    "style": {"plain": 1, "deep": 1, "shallow": 1, "open": 1, "closed": 1, "loose": 1},
    "light": {"noon": 1, "overcast": 1, "low_sun": 1, "backlit": 1, "dusk": 1},
    "cameras": {"rear_left, rear_right, side": 8, "rear_left, rear_right": 2, "rear_right, side": 1},
    "fps": {120: 10, 240: 1},
    "ball": {True: 9, False: 2},
    "tape": {True: 9, False: 2},
    "near_line": {"behind": 3, "near": 7, "10 mm over": 1},
})  # fmt: skip
"""What a serve can be, and in which proportion."""
RIGS = 8
NEAR_M, BEHIND_M = (-0.030, 0.030), (0.03, 0.12)
"""How far behind the line the sole stays: near it, or well behind."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Variation:
    """One serve to render and measure.

    athlete      of the invented cast, whose clothes and colours it wears; its body is altered as below
    height_m     standing height; muscle, weight, tall: added to the cast member's build
    footwork     stance, and whether the front foot leaves the ground
    style        of the cast's styles; scale, shift: on top of it, channels and numbers as in
                 demo_rigs.description.Style
    tempo        factor on all times, on top of the style's
    sole_m       how far behind the baseline's rear edge the sole's foremost touching point stays until contact
    rig          index into the drawn camera layouts
    starts_s     of each camera's clock against the begin of the take: its clip begins so much earlier
    seed         of its calibration errors and of its pixels' noise
    """

    name: str
    athlete: str
    handedness: str
    height_m: float
    muscle: float
    weight: float
    tall: float
    script: str
    footwork: str
    style: str
    scale: tuple[tuple[str, float], ...] = ()
    shift: tuple[tuple[str, float], ...] = ()
    tempo: float = 1.0
    sole_m: float = 0.05
    rig: int = 0
    cameras: tuple[str, ...] = ("rear_left", "rear_right", "side")
    starts_s: tuple[float, ...] = (0.0, 0.0, 0.0)
    light: str = "noon"
    fps: int = 120
    ball: bool = True
    tape: bool = True
    seed: int = 0

    @property
    def pinpoint(self) -> bool:
        """Whether the back foot steps up before the push."""
        return self.footwork.startswith("pinpoint")

    @property
    def leaves(self) -> bool:
        """Whether the serve leaves the ground."""
        return "grounded" not in self.footwork


def draw_variations(
    athletes: Mapping[str, float], count: int = COUNT, seed: int = SEED
) -> tuple[Variation, ...]:
    """The variations of a seed; athletes: the cast's names → standing heights."""
    rng = np.random.default_rng(seed)
    drawn = {kind: _mixed(shares, count, rng) for kind, shares in SHARES.items()}
    who = _mixed(dict.fromkeys(athletes, 1), count, rng)
    rigs = _mixed(dict.fromkeys(range(RIGS), 1), count, rng)
    out = []
    for k in range(count):
        kind = {name: values[k] for name, values in drawn.items()}
        out.append(_variation(k, kind, str(who[k]), athletes[str(who[k])], int(str(rigs[k])), rng))
    return tuple(out)


def _mixed(shares: Mapping[_T, int], count: int, rng: np.random.Generator) -> list[_T]:
    """So many values, each kind in its proportion to within one, in random order."""
    kinds = [kind for kind, share in shares.items() for _ in range(share)]
    blocks: list[_T] = []
    while len(blocks) < count:
        blocks += [kinds[i] for i in rng.permutation(len(kinds))]
    return blocks[:count]


def _variation(
    k: int, kind: Mapping[str, object], athlete: str, height_m: float, rig: int, rng: np.random.Generator
) -> Variation:
    cameras = tuple(str(kind["cameras"]).split(", "))
    near = {"behind": BEHIND_M, "near": NEAR_M, "10 mm over": (-0.010, -0.010)}[str(kind["near_line"])]
    quiet = rng.uniform(0.0, 1.2)
    return Variation(
        name=f"v{k:02d}", athlete=athlete, handedness=str(kind["handedness"]),
        height_m=_short(height_m * rng.uniform(0.975, 1.025)), muscle=_short(rng.uniform(-0.2, 0.2)),
        weight=_short(rng.uniform(-0.2, 0.2)), tall=_short(rng.uniform(-0.15, 0.15)),
        script=str(kind["script"]), footwork=str(kind["footwork"]), style=str(kind["style"]),
        scale=(("front_yaw", _short(quiet)), ("trunk_lean_x", _short(rng.uniform(0.85, 1.15)))),
        shift=tuple(_shift(name, str(kind["style"]), rng) for name in _SHIFTS),
        tempo=_short(rng.uniform(0.95, 1.06)), sole_m=_short(rng.uniform(*near)), rig=rig, cameras=cameras,
        starts_s=tuple(_short(s) for s in rng.uniform(0.0, 0.15, len(cameras))), light=str(kind["light"]),
        fps=int(str(kind["fps"])), ball=kind["ball"] is True, tape=kind["tape"] is True,
        seed=int(rng.integers(2**31)),
    )  # fmt: skip


_SHIFTS = {
    "hit_elbow": (-8.0, 8.0), "hit_plane": (-8.0, 8.0), "hit_elevation": (-5.0, 5.0),
    "toss_elbow": (-4.0, 9.0), "toss_plane": (-8.0, 8.0), "front_yaw": (-8.0, 8.0), "back_yaw": (-8.0, 8.0),
    "pelvis_yaw": (-6.0, 6.0), "trunk_yaw": (-6.0, 6.0), "head_yaw": (-8.0, 8.0),
}  # fmt: skip
"""Channel → span of what is added to it, degrees; a tossing elbow does not bend backwards."""


_OPENED = {"plain": (-24.0, -8.0), "closed": (-24.0, -8.0)}
"""Style → span of the hitting elbow's shift instead: opened, it keeps the tip from crossing the spine plane."""


def _shift(name: str, style: str, rng: np.random.Generator) -> tuple[str, float]:
    span = _OPENED.get(style, _SHIFTS[name]) if name == "hit_elbow" else _SHIFTS[name]
    return name, _short(rng.uniform(*span))


def _short(x: float) -> float:
    return round(float(x), 4)
