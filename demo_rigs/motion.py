"""A whole serve: the script's channels, the posed body, the racket and the ball at any instants."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput
from demo_rigs.body import Body
from demo_rigs.description import HERE, Style
from demo_rigs.kinematics import Curve, curve
from demo_rigs.racket_ball import (
    BALL_RADIUS_M,
    HEAD_CENTRE_M,
    Grip,
    Toss,
    held_shift,
    launch,
    palm_point,
    right_grip,
    struck,
    toss_between,
)
from demo_rigs.skeleton import Posed, pose

MIRROR = np.array([-1.0, 1.0, 1.0])
FOOTWORK = HERE / "footwork"
_FAST = ("hit_", "trunk_", "pelvis_")
_SWAY = {"pelvis_x": (0.004, 0.31, 0.4), "pelvis_y": (0.005, 0.27, 1.9), "trunk_lean_x": (0.5, 0.36, 0.2),
         "trunk_lean_y": (0.4, 0.29, 2.6), "head_yaw": (1.0, 0.23, 1.1), "hit_elbow": (0.8, 0.4, 2.2),
         "toss_elbow": (0.8, 0.33, 0.7)}  # fmt: skip
"""Natural sway: channel → (amplitude in the channel's unit, frequency in Hz, phase)."""


@dataclass(frozen=True, slots=True, eq=False)
class Script:
    """A serve as keys. Times in scene seconds; lengths for a body of unit height are scaled by the caller."""

    name: str
    start_s: float
    release_s: float
    contact_s: float
    ball_speed_m_s: float
    landing_m: Array
    grip_deg: Array
    channels: dict[str, Curve]


def load_script(path: Path, style: Style = Style(), leg_m: float | None = None) -> Script:  # noqa: B008
    """Reads a serve's TOML file, in a style and for legs of a length.

    Raises BadInput naming the file and the entry at fault.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        legs = leg_m if style.fit and leg_m is not None else float(data["leg_m"])
        written = {name: (keys, legs / data["leg_m"]) for name, keys in data["keys"].items()}
        for footwork in style.footwork:
            instead = tomllib.loads((FOOTWORK / f"{footwork}.toml").read_text(encoding="utf-8"))
            written |= {name: (keys, legs / instead["leg_m"]) for name, keys in instead["keys"].items()}
        channels = {}
        for name, (plain, fit) in written.items():
            keys = _styled(name, plain, style, fit, float(data["ball"]["contact_s"]))
            feet = name.startswith(("front_", "back_"))
            blur = data["blur_ms"]["feet" if feet else "fast" if name.startswith(_FAST) else "slow"]
            channels[name] = curve(keys, blur / 1000, level=feet)
        ball = data["ball"]
        contact = float(ball["contact_s"])
        start, release = (_timed(float(t), style, contact) for t in (data["start_s"], ball["release_s"]))
        return Script(
            path.stem, start, release, contact,
            float(ball["speed_m_s"]), np.array(ball["landing_m"], dtype=float),
            np.array(data["racket"]["grip_deg"], dtype=float), channels,
        )  # fmt: skip
    except (OSError, tomllib.TOMLDecodeError, KeyError, TypeError) as error:
        raise BadInput(f"serve script {path.name}: {error}") from error


def _styled(
    name: str, keys: list[list[float]], style: Style, fit: float, contact_s: float
) -> list[list[float]]:
    """One channel's keys in a style: departure from the first key scaled, shifted, slower or quicker."""
    first, factor, shift = keys[0][1], style.scale.get(name, 1.0), style.shift.get(name, 0.0)
    length = fit if name.endswith(("_x", "_y", "_z")) and "lean" not in name else 1.0
    return [
        [_timed(t, style, contact_s), length * (first + factor * (value - first)) + shift] for t, value in keys
    ]


def _timed(t_s: float, style: Style, contact_s: float) -> float:
    return contact_s + style.tempo * (t_s - contact_s)


@dataclass(frozen=True, slots=True, eq=False)
class Moment:
    """The scene at T instants in the court frame, for the athlete's own handedness.

    bone_R (T, B, 3, 3), bone_t_m (T, B, 3): rest → now, to be applied to the rest body; where `mirrored`,
    the result is then reflected in x. ball_m (T, 3), NaN once it is out of sight. stretch: share of each leg's
    length in use, per foot.
    """

    t_s: Array
    bone_R: Array
    bone_t_m: Array
    mirrored: bool
    ball_m: Array
    stretch: dict[str, Array]


class Serve:
    """One athlete's serve. `at` may be called with any instants of the scene's time."""

    def __init__(self, body: Body, script: Script, handedness: str) -> None:
        self.body, self.script, self.mirrored = body, script, handedness == "left"
        self.grip: Grip = right_grip(body, *script.grip_deg)
        self._toss = self._tossed()
        self._launch = self._struck_velocity()

    def channels(self, t_s: Array) -> dict[str, Array]:
        """Every channel at T instants, with natural sway on top."""
        t = np.asarray(t_s, dtype=float)
        out = {name: c(t) for name, c in self.script.channels.items()}
        for name, (size, hz, phase) in _SWAY.items():
            out[name] = out[name] + size * np.sin(2 * np.pi * hz * t + phase)
        return out

    def racket(self, posed: Posed, along_m: float) -> Array:
        """A point on the racket's axis (T, 3), right-handed space."""
        b = self.body.index("wrist.R")
        return np.asarray(posed.rotation[:, b] @ self.grip.points(np.array([along_m]))[0] + posed.shift_m[:, b])

    def at(self, t_s: Array) -> Moment:
        """The scene at T instants."""
        t = np.asarray(t_s, dtype=float)
        posed = pose(self.body, self.channels(t))
        ball = self._ball(t, posed)
        if self.mirrored:
            ball = ball * MIRROR
        return Moment(t, posed.rotation, posed.shift_m, self.mirrored, ball, dict(posed.stretch))

    def toss(self) -> Toss:
        """The ball's free flight, right-handed space."""
        return self._toss

    def palm_velocity_gap(self) -> Array:
        """Toss velocity minus the palm's own velocity at release (3,): what the fingers add."""
        h = 0.001
        t = self.script.release_s + np.array([-h, h])
        palm = self._palm(pose(self.body, self.channels(t)))
        return np.asarray(self._toss.velocity_m_s - (palm[1] - palm[0]) / (2 * h))

    def _palm(self, posed: Posed) -> Array:
        b = self.body.index("wrist.L")
        return np.asarray(posed.rotation[:, b] @ palm_point(self.body) + posed.shift_m[:, b])

    def _tossed(self) -> Toss:
        s = self.script
        t = np.array([s.release_s - 0.001, s.release_s, s.release_s + 0.001, s.contact_s])
        posed = pose(self.body, self.channels(t))
        head = self.racket(posed, HEAD_CENTRE_M)[3]
        face = posed.rotation[3, self.body.index("wrist.R")] @ self.grip.axes[:, 1]
        struck_at = head + BALL_RADIUS_M * face * np.sign(
            face[1]
        )  # the ball's centre, on the strings' net side
        palm = self._palm(posed)
        toss = toss_between(s.release_s, palm[1], s.contact_s, struck_at)
        for _ in range(20):  # the finger's last push moves the release point a little, which changes the arc
            gap = toss.velocity_m_s - (palm[2] - palm[0]) / 0.002
            start = palm[1] + held_shift(np.array([s.release_s]), s.release_s, gap)[0]
            toss = toss_between(s.release_s, start, s.contact_s, struck_at)
        return toss

    def _struck_velocity(self) -> Array:
        """Velocity after contact that makes the ball land at the script's point."""
        s = self.script
        return launch(self._toss.at(np.array([s.contact_s]))[0], s.ball_speed_m_s, s.landing_m)

    def _ball(self, t: Array, posed: Posed) -> Array:
        s, toss = self.script, self._toss
        out = self._palm(posed) + held_shift(t, s.release_s, self.palm_velocity_gap())
        free = (t > s.release_s) & (t <= s.contact_s)
        out[free] = toss.at(t[free])
        gone = t > s.contact_s
        start = toss.at(np.array([s.contact_s]))[0]
        out[gone] = struck(t[gone], s.contact_s, start, self._launch, end_y_m=26.0)
        return out
