"""An independent check of the rig's scale: an object of known length, both ends clicked in pictures."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.calibrated_rig import CalibratedRig
from calibration.checks import Array, checked
from calibration.errors import BadInput, NotMeasurable
from calibration.geometry.camera import N_CAMERA, Camera

LENGTH_COLUMNS = ("camera", "name", "end", "u_px", "v_px", "length_m", "u_m")
ENDS = ("a", "b")
SURE_Z = 3.0
"""Standard uncertainties beyond which a length is called off: one honest length in 370 is."""

_STEPS = 15


@dataclass(frozen=True, slots=True, eq=False)
class EndClick:
    """One end ("a" or "b") of a known length, clicked in one camera's picture.

    length_m, u_m: the true distance of the two ends, as measured with a tape or certified, and its standard
    uncertainty; the same in every row of one name.
    """

    camera: str
    name: str
    end: str
    uv_px: Array
    length_m: float
    u_m: float

    def __post_init__(self) -> None:
        where = f"known length {self.name}, end {self.end} in {self.camera}"
        if self.end not in ENDS:
            raise BadInput(f"{where}: end: want a or b, got {self.end!r}")
        if not 0 < self.length_m < 100 or not 0 <= self.u_m < self.length_m:
            raise BadInput(
                f"{where}: want a length above 0 m and an uncertainty from 0 to below it, got {self.length_m} "
                f"and {self.u_m}"
            )
        object.__setattr__(self, "uv_px", checked(self.uv_px, (2,), where))


@dataclass(frozen=True, slots=True)
class LengthCheck:
    """A known length as the rig measures it.

    u_m  standard uncertainty of measured_m, from the clicks and the rig's covariance
    z    measured minus known, over both uncertainties; flag: a sentence where that is beyond SURE_Z, else None
    """

    name: str
    measured_m: float
    u_m: float
    known_m: float
    known_u_m: float
    z: float
    flag: str | None


def check_lengths(
    rig: CalibratedRig, clicks: Sequence[EndClick], click_u_px: float = 0.7
) -> tuple[LengthCheck, ...]:
    """Every named length, in order of its first click. The rig may be in its own frame or in the court.

    The object must not move between the pictures of one name. Raises BadInput for an unknown camera, an end
    clicked twice in a picture, or two lengths under one name; NotMeasurable where an end is clicked in fewer
    than two pictures, or its rays do not meet.
    """
    names = list(dict.fromkeys(c.name for c in clicks))
    if not names:
        raise BadInput("known lengths: want clicks on both ends of at least one object, got none")
    if not 0 < click_u_px < 50:
        raise BadInput(f"click_u_px: want above 0 and below 50, got {click_u_px}")
    return tuple(_checked(rig, name, [c for c in clicks if c.name == name], click_u_px) for name in names)


def _checked(rig: CalibratedRig, name: str, clicks: Sequence[EndClick], click_u_px: float) -> LengthCheck:
    known = {(c.length_m, c.u_m) for c in clicks}
    if len(known) > 1:
        raise BadInput(f"known length {name}: want one length_m and u_m in all its rows, got {sorted(known)}")
    at = [(c.camera, c.end) for c in clicks]
    twice = sorted({a for a in at if at.count(a) > 1})
    if twice:
        raise BadInput(f"known length {name}: end {twice[0][1]} is clicked twice in {twice[0][0]}")
    ends = [_met(rig, name, [c for c in clicks if c.end == end], end, click_u_px) for end in ENDS]
    (a, cov_a, by_a), (b, cov_b, by_b) = ends
    measured = float(np.linalg.norm(b - a))
    if measured == 0:
        raise NotMeasurable(f"known length {name}: both ends are clicked at one place")
    d = (b - a) / measured
    by_rig = d @ (by_b - by_a)  # the two ends share the cameras' errors
    u = float(np.sqrt(d @ (cov_a + cov_b) @ d + by_rig @ rig.covariance @ by_rig))
    ((length, length_u),) = known
    z = (measured - length) / float(np.hypot(u, length_u))
    flag = None
    if abs(z) > SURE_Z:
        flag = (
            f"{name} measures {measured:.4f} ± {2 * u:.4f} m, known is {length:.4f} ± {2 * length_u:.4f} m "
            f"({100 * (measured / length - 1):+.2f} %): check the board's square size and the clicks"
        )
    return LengthCheck(name, measured, u, length, length_u, z, flag)


def _met(
    rig: CalibratedRig, name: str, clicks: Sequence[EndClick], end: str, click_u_px: float
) -> tuple[Array, Array, Array]:
    """Where an end's rays meet (3,), covariance (3, 3) by the clicks alone, derivative by the rig (3, 18 N)."""
    if len(clicks) < 2:
        raise NotMeasurable(
            f"known length {name}: end {end} is clicked in {len(clicks)} picture(s); want two cameras or more"
        )
    x = _rays_meet([rig.camera(c.camera) for c in clicks], clicks)
    for _ in range(_STEPS):
        information, pull, _ = _equations(rig, clicks, x)
        step = np.linalg.lstsq(information, pull, rcond=None)[0]
        x = x + step
        if not np.isfinite(x).all() or np.abs(step).max() < 1e-10:
            break
    information, _, by_rig = _equations(rig, clicks, x)
    if not np.isfinite(information).all() or np.linalg.cond(information) > 1e10:
        raise NotMeasurable(f"known length {name}: the sights of end {end} do not meet in one point")
    inverse = np.linalg.inv(information)
    return x, np.asarray(inverse * click_u_px**2), np.asarray(-inverse @ by_rig)


def _equations(rig: CalibratedRig, clicks: Sequence[EndClick], x: Array) -> tuple[Array, Array, Array]:
    """Jᵀ J, Jᵀ r and Jᵀ ∂uv/∂(rig) of the end's pixels, unweighted."""
    information, pull, by_rig = np.zeros((3, 3)), np.zeros(3), np.zeros((3, N_CAMERA * len(rig.cameras)))
    for click in clicks:
        i = rig.names.index(click.camera)
        uv, by_point, by_camera = rig.cameras[i].project_all(x)
        information += by_point.T @ by_point
        pull += by_point.T @ (click.uv_px - uv)
        by_rig[:, N_CAMERA * i : N_CAMERA * (i + 1)] += by_point.T @ by_camera
    return np.nan_to_num(information), np.nan_to_num(pull), by_rig


def _rays_meet(cameras: Sequence[Camera], clicks: Sequence[EndClick]) -> Array:
    """The point closest to all rays, unweighted: a start."""
    a, b = np.zeros((3, 3)), np.zeros(3)
    for camera, click in zip(cameras, clicks, strict=True):
        d = camera.rays(click.uv_px)
        if not np.isfinite(d).all():
            raise BadInput(
                f"known length {click.name}: the click in {click.camera} lies outside the lens's reach"
            )
        across = np.eye(3) - np.outer(d, d)
        a += across
        b += across @ camera.centre_m()
    return np.asarray(np.linalg.lstsq(a, b, rcond=None)[0])


def read_lengths(path: Path | str) -> list[EndClick]:
    """Clicks on known lengths from a CSV file with the columns camera, name, end, u_px, v_px, length_m, u_m.

    Raises BadInput naming file and line.
    """
    path = Path(path)
    if not path.exists():
        raise BadInput(f"{path}: no such file")
    try:
        rows = list(csv.reader(path.read_text(encoding="utf-8-sig").splitlines()))
    except (csv.Error, UnicodeDecodeError) as error:
        raise BadInput(f"{path}: not a CSV file ({error})") from error
    head = tuple(c.strip() for c in rows[0]) if rows else ()
    if head != LENGTH_COLUMNS:
        want = ",".join(LENGTH_COLUMNS)
        raise BadInput(f"{path}: line 1: want the columns {want}, got {','.join(head) or 'nothing'}")
    out = []
    for number, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        try:
            camera, name, end, u, v, length, length_u = (cell.strip() for cell in row)
            out.append(
                EndClick(camera, name, end, np.array([float(u), float(v)]), float(length), float(length_u))
            )
        except BadInput as error:
            raise BadInput(f"{path}: line {number}: {error}") from error
        except ValueError as error:
            raise BadInput(
                f"{path}: line {number}: want seven values, four of them numbers, got {row}"
            ) from error
    return out
