"""The constants of all clocks as one vector: what is known before, how each delays a picture, and back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.geometry import Camera
from recon.records import NOT_TOLD, Clock, Clocks, Tracks2D
from recon.smoothing import PointEvents

OFFSET, DRIFT, READOUT = range(3)
_TELLS = 0.5
"""A constant counts as told by the motion where that brings its u below this share of what it was before."""


@dataclass(frozen=True, slots=True, eq=False)
class ClockUnknowns:
    """Which constants are to be found, m in all: every offset but the reference's, and whatever else has a u.

    kind, camera (m,)  of OFFSET, DRIFT, READOUT; the camera's index
    before             the clocks as they were known
    precision (m, m)   inverse covariance of what was known; nothing of offsets
    """

    before: tuple[Clock, ...]
    kind: NDArray[np.int64]
    camera: NDArray[np.int64]
    precision: Array

    @staticmethod
    def of(cameras: Sequence[Camera], clocks: Clocks) -> ClockUnknowns:
        """The unknowns of these clocks, in the cameras' order."""
        before = tuple(clocks.of(camera.name) for camera in cameras)
        rows = [
            (kind, c)
            for c, clock in enumerate(before)
            for kind, u in (
                (OFFSET, clock.camera != clocks.reference),
                (DRIFT, clock.u_drift),
                (READOUT, clock.u_readout_s),
            )
            if u
        ]
        kind, camera = np.array(rows, dtype=np.int64).reshape(-1, 2).T
        order = np.array([clocks.clocks.index(clock) for clock in before])
        told = np.flatnonzero(kind != OFFSET)
        at = 3 * order[camera[told]] + kind[told]
        precision = np.zeros((len(kind), len(kind)))
        precision[np.ix_(told, told)] = np.linalg.inv(clocks.covariance()[np.ix_(at, at)])
        return ClockUnknowns(before, kind, camera, precision)

    def values(self, clocks: Sequence[Clock]) -> Array:
        """(m,) the constants of clocks, in the cameras' order."""
        return np.array([_constants(clocks[c])[kind] for kind, c in zip(self.kind, self.camera, strict=True)])

    def delays_s(self, events: PointEvents, tracks: Tracks2D, clocks: Sequence[Clock]) -> Array:
        """(E, m) by how many seconds a unit of each constant delays each observation."""
        out = np.zeros((len(events.t_s), len(self.kind)))
        for c, clock in enumerate(clocks):
            mine = np.flatnonzero(events.camera == c)
            share = clock.row_share(events.uv_px[mine], tracks.of(clock.camera).size_px)
            own_t = clock.camera_time(events.t_s[mine] - clock.readout_s * share)
            by_kind = (np.ones(len(mine)), own_t - clock.at_s, share)
            for k in np.flatnonzero(self.camera == c):
                out[mine, k] = by_kind[self.kind[k]]
        return out

    def warp_s(self, events: PointEvents, tracks: Tracks2D, clocks: Sequence[Clock]) -> Array:
        """(E,) how an error of readout that all cameras share would delay what each sees of a point.

        All of them show a point in much the same row, so that such an error bends the point's time and hardly
        sets one view against another. Whether a motion so bent is as smooth as another is no evidence.
        """
        total = np.zeros(len(events.t_s))
        for c, clock in enumerate(clocks):
            mine = np.flatnonzero(events.camera == c)
            if len(mine):
                share = clock.row_share(events.uv_px[mine], tracks.of(clock.camera).size_px)
                total += np.interp(events.t_s, events.t_s[mine], share)
        return total / len(clocks)

    def found(self, clocks: Clocks, values: Array, covariance: Array) -> Clocks:
        """Clocks with constants (m,) and their covariance (m, m).

        A readout outside of what was possible before is put at that end, the others following it as they hang
        together.
        """
        values = self._within(values, covariance)
        rows = np.zeros((len(self.before), 3))
        rows[:] = [_constants(clock) for clock in self.before]
        rows[self.camera, self.kind] = values
        at = 3 * self.camera + self.kind
        whole = np.zeros((3 * len(self.before),) * 2)
        whole[np.ix_(at, at)] = covariance
        u = np.sqrt(np.diag(whole)).reshape(-1, 3)
        out = [self._clock(c, row, own_u) for c, (row, own_u) in enumerate(zip(rows, u, strict=True))]
        return Clocks(clocks.reference, tuple(out), tuple(map(tuple, whole.tolist())))

    def _within(self, values: Array, covariance: Array) -> Array:
        values = values.copy()
        for k in np.flatnonzero(self.kind == READOUT):
            known = self.before[self.camera[k]]
            longest = 2 * known.readout_s if known.shutter_source == NOT_TOLD else np.inf
            beyond = float(np.clip(values[k], 0.0, longest)) - values[k]
            if beyond:
                values += covariance[:, k] / covariance[k, k] * beyond
        return values

    def _clock(self, c: int, row: Array, u: Array) -> Clock:
        was = self.before[c]
        shutter, drift = was.shutter_source, was.drift_source
        if u[READOUT] < _TELLS * was.u_readout_s:
            shutter = "motion" if shutter == NOT_TOLD else f"{shutter}, motion"
        if u[DRIFT] < _TELLS * was.u_drift:
            drift = "motion"
        return replace(
            was, offset_s=float(row[OFFSET]), u_s=float(u[OFFSET]), drift=float(row[DRIFT]),
            u_drift=float(u[DRIFT]), readout_s=max(float(row[READOUT]), 0.0), u_readout_s=float(u[READOUT]),
            shutter_source=shutter, drift_source=drift, source="motion",
        )  # fmt: skip


def _constants(clock: Clock) -> tuple[float, float, float]:
    return clock.offset_s, clock.drift, clock.readout_s
