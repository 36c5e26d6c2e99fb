"""A scripted serve moved elsewhere on the court: the invented passer-by and the second player."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput
from demo_rigs.motion import Moment, Serve


@dataclass(frozen=True, slots=True)
class Way:
    """How somebody gets about: from one place to another between two scene times, turned by yaw; no ball.

    still_s: the instant of their own script at which they freeze, for somebody who only stands or glides by;
    None: they go through their script as time goes.
    """

    start_m: tuple[float, float]
    end_m: tuple[float, float]
    span_s: tuple[float, float] = (0.0, 1.0)
    yaw_rad: float = 0.0
    still_s: float | None = None

    def at(self, t_s: Array) -> Array:
        """(T, 2) places at scene times (T,)."""
        return np.stack(
            [np.interp(t_s, self.span_s, (self.start_m[k], self.end_m[k])) for k in range(2)], axis=-1
        )


class PlacedServe:
    """Looks like a Serve to who films it. Raises BadInput for a left-hander, whose pictures are reflected."""

    def __init__(self, serve: Serve, way: Way) -> None:
        self.body, self.grip = serve.body, serve.grip
        self._serve, self._way = serve, way
        first = serve.at(np.zeros(1) if way.still_s is None else np.full(1, way.still_s))
        if first.mirrored:
            raise BadInput("a placed serve: want a right-hander")
        joints = (first.bone_R @ self.body.head_m[:, :, None])[..., 0] + first.bone_t_m
        self._middle = joints[0, :, :2].mean(axis=0)

    def at(self, t_s: Array) -> Moment:
        """The scene at T instants, moved; the ball is out of sight."""
        own = t_s if self._way.still_s is None else np.full(len(t_s), self._way.still_s)
        moment = self._serve.at(own)
        cos, sin = np.cos(self._way.yaw_rad), np.sin(self._way.yaw_rad)
        turn = np.array([[cos, -sin, 0], [sin, cos, 0], [0, 0, 1.0]])
        to = np.column_stack([self._way.at(t_s), np.zeros(len(t_s))])
        about = np.array([*self._middle, 0.0])
        return replace(
            moment,
            t_s=t_s,
            bone_R=turn @ moment.bone_R,
            bone_t_m=(moment.bone_t_m - about) @ turn.T + to[:, None],
            ball_m=np.full((len(t_s), 3), np.nan),
        )
