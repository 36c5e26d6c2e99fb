"""Does a session's footage fit the calibration? What does not is named, with the figures that show it.

The court picture that was clicked is kept in the rig folder; the session's first frame must show the same
background at the same pixels. Small motions of a camera (below a degree or so) are not told here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import cv2
import numpy as np

from calibration.calibrated_rig import CalibratedRig
from calibration.checks import Array
from calibration.errors import BadInput
from calibration.folder import read_rig_folder
from calibration.footage import Image, Video, begins_s, frames, picture, probe
from calibration.geometry.camera import Camera
from calibration.picture_match import Features, Match, features, match, wander_px

Grade = Literal["fits", "untold", "flagged", "refused"]
"""fits; not to be told from the pictures; measurable, but not to be relied on; another calibration is
needed."""

_FOCAL = (
    0.004  # a scale farther from 1 is told: 3 px at the edge of 1280, and ten times what equal pictures give
)
_SHIFT = 0.03  # of the width: 1.7 degrees at usual focal lengths; more is refused
_NUDGE = (
    0.005  # of the width, 0.3 degrees: 4 cm at 8 m, so more is flagged; finer ones are another check's matter
)
_ROLL_DEG = 2.0
_SAME_SHAPE = 0.005
_WANDER_PX = 1.0  # the background of a standing camera stays within 0.3 px in compressed video (measured)
_LOOK_S, _LOOK_FRAMES = 1.0, 10  # this much of the clip is looked at for a wandering picture
_MOST_DECODED = 120  # frames: decoding is what the check costs, at high rates above all
_BENT = 1.5  # so many times more points under a homography than under a similarity tell of a turned camera
_CLEARLY = 1.5  # another explanation must agree on so many times more points than the plain one


@dataclass(frozen=True, slots=True)
class FootageFinding:
    """What the footage of one camera turned out to be.

    kind      "as calibrated", "resized", "turned", "mirrored", "exchanged", "moved", "zoomed", "cropped",
    "other
              format", "wandering", "not comparable"
    evidence  figures behind it, by name with unit
    """

    camera: str
    kind: str
    grade: Grade
    sentence: str
    evidence: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class KeptPictures:
    """The court pictures that were clicked, as features by camera name."""

    by_camera: Mapping[str, Features]


def kept_pictures(rig_path: Path) -> KeptPictures:
    """Of the rig folder that a calibrated rig file lies in; none for a rig file that stands alone."""
    root = rig_path.parent.parent
    if not (root / "rig.toml").is_file():
        return KeptPictures({})
    entries = read_rig_folder(root).cameras
    found = {
        c.name: features(picture(c.court_picture))
        for c in entries
        if c.court_picture is not None and c.court_picture.exists()
    }
    return KeptPictures(found)


def check_footage(
    rig: CalibratedRig, kept: KeptPictures, footage: Mapping[str, Path | Video], look_s: float | None = None
) -> tuple[FootageFinding, ...]:
    """One finding per camera of the footage, in the rig's order, and one more where its picture wanders.

    look_s: how much of each clip is looked at for that; a second, or less of fast clips, if not given.
    Raises BadInput where footage cannot be read.
    """
    findings: list[FootageFinding] = []
    for camera in rig.cameras:
        if camera.name not in footage:
            continue
        path = footage[camera.name]
        rate = probe(path).nominal_fps or _LOOK_FRAMES
        span_s = look_s or min(_LOOK_S, _MOST_DECODED / rate)
        every = max(1, round(rate * span_s / _LOOK_FRAMES))
        images = [f.image_bgr for f in frames(path, stop_s=begins_s(path) + span_s, every=every)]
        if not images:
            raise BadInput(f"{path}: holds no picture")
        findings.append(check_picture(camera, kept, images[0]))
        wandering = check_steadiness(camera.name, images)
        if wandering is not None:
            findings.append(wandering)
    return tuple(findings)


def check_steadiness(camera: str, images: list[Image]) -> FootageFinding | None:
    """A finding where the background wanders from frame to frame, None where it stands or cannot be told."""
    wander = wander_px(images)
    if wander is None or wander <= _WANDER_PX:
        return None
    sentence = (
        f"{camera}: its picture wanders by {wander:.1f} px while the camera stands: picture stabilisation is "
        "on, or the stand shakes; switch stabilisation off, the calibration cannot follow it"
    )
    return FootageFinding(camera, "wandering", "flagged", sentence, {"wander_px": wander})


def check_picture(camera: Camera, kept: KeptPictures, frame: Image) -> FootageFinding:
    """How a frame lies against the court picture that its camera was calibrated with."""
    size_px = (frame.shape[1], frame.shape[0])
    own = kept.by_camera.get(camera.name)
    if own is not None and own.size_px != camera.size_px:  # not the picture that this rig was calibrated with
        own = None
    seen = features(frame)
    plain = None if own is None else match(own, seen)
    if own is not None and (plain is None or not _plainly_same(plain, own, size_px)):
        other = _other_explanation(camera.name, own, kept, frame, seen, plain)
        if other is not None:
            return other
    if own is None or plain is None:
        return _by_size_alone(camera, size_px, own is not None)
    return _told(camera, own, size_px, plain)


def _plainly_same(found: Match, own: Features, size_px: tuple[int, int]) -> bool:
    return (
        own.size_px == size_px and abs(found.scale - 1) < _FOCAL and abs(found.turn_rad) < np.radians(_ROLL_DEG)
    )


def _other_explanation(
    name: str, own: Features, kept: KeptPictures, frame: Image, seen: Features, plain: Match | None
) -> FootageFinding | None:
    """Mirrored, or another camera's picture, where that agrees on clearly more points than the plain match."""
    least = 0.0 if plain is None else _CLEARLY * plain.plane_inliers
    mirrored = match(own, features(np.ascontiguousarray(cv2.flip(frame, 1))), mirrored=True)
    if mirrored is not None and mirrored.inliers > least:
        text = f"{name}: its picture is mirrored against the court picture it was calibrated with"
        return FootageFinding(name, "mirrored", "refused", text, _evidence(mirrored))
    for other, features_ in kept.by_camera.items():
        found = None if other == name else match(features_, seen)
        if found is not None and found.inliers > least:
            text = (
                f"{name}: this is what camera {other} sees, not {name}: the files of the cameras are exchanged"
            )
            return FootageFinding(name, "exchanged", "refused", text, _evidence(found))
    return None


def _evidence(found: Match) -> dict[str, float]:
    return {
        "scale": found.scale, "turn_deg": float(np.degrees(found.turn_rad)),
        "shift_u_px": float(found.shift_px[0]), "shift_v_px": float(found.shift_px[1]),
        "points_agreeing": float(found.inliers), "points_matched": float(found.matched),
        "points_agreeing_on_a_homography": float(found.plane_inliers),
    }  # fmt: skip


def _by_size_alone(camera: Camera, size_px: tuple[int, int], compared: bool) -> FootageFinding:
    """What the size says where the pictures have nothing in common, or there is no court picture."""
    (w0, h0), (w, h) = camera.size_px, size_px
    why = (
        "its picture shows too little of the court picture it was calibrated with to be compared (other "
        "light, or another place)"
        if compared
        else "no court picture is kept to compare its picture with"
    )
    evidence = {"width_px": float(w), "height_px": float(h)}
    if size_px == camera.size_px:
        text = f"{camera.name}: {why}; the size is as calibrated"
        return FootageFinding(camera.name, "not comparable", "untold", text, evidence)
    kind, said = "other format", "another shape of picture"
    if _same_shape(camera.size_px, size_px):
        kind, said = "resized", "the same shape at another size"
    elif _same_shape(camera.size_px, (h, w)):
        kind, said = "turned", "turned by 90 degrees"
    text = f"{camera.name}: filmed at {w}x{h}, calibrated at {w0}x{h0}: {said}; {why}"
    return FootageFinding(camera.name, kind, "refused", text, evidence)


def _same_shape(a: tuple[int, int], b: tuple[int, int]) -> bool:
    return abs(a[0] * b[1] / (a[1] * b[0]) - 1) <= _SAME_SHAPE


def _told(camera: Camera, own: Features, size_px: tuple[int, int], found: Match) -> FootageFinding:
    name, evidence = camera.name, _evidence(found)
    (w0, h0), (w, h) = own.size_px, size_px
    sizes = f"filmed at {w}x{h}, calibrated at {w0}x{h0}"
    quarters = round(float(np.degrees(found.turn_rad)) / 90) % 4
    roll = float(np.degrees(found.turn_rad)) - 90 * round(float(np.degrees(found.turn_rad)) / 90)
    if quarters:
        text = (
            f"{name}: its picture is turned by {90 * min(quarters, 4 - quarters)} degrees against the court "
            f"picture it was calibrated with ({sizes})"
        )
        return FootageFinding(name, "turned", "refused", text, evidence)
    # where the middle of the calibrated picture has gone, against the middle of the frame
    away = found.of(np.array([w0 - 1, h0 - 1]) / 2) - np.array([w - 1, h - 1]) / 2
    evidence |= {"middle_away_u_px": float(away[0]), "middle_away_v_px": float(away[1])}
    shifted = float(np.abs(away).max()) > _SHIFT * w or abs(roll) > _ROLL_DEG
    expected = w / w0 if _same_shape(own.size_px, size_px) else 1.0
    focal = found.scale / expected
    evidence["focal_scale"] = focal
    nudged = _NUDGE * w < float(np.abs(away).max()) <= _SHIFT * w and abs(found.scale - 1) <= _FOCAL
    if size_px == own.size_px and (found.plane_inliers > _BENT * found.inliers or nudged):
        return _moved(camera, away, evidence, shifted)
    if size_px != own.size_px:
        return _resized(name, sizes, expected, focal, shifted, evidence)
    if shifted:
        text = (
            f"{name}: its picture is scaled by {found.scale:.3f} and shifted by {away[0]:+.0f}, "
            f"{away[1]:+.0f} px, rolled by {roll:+.1f} degrees: another crop or video mode, or the camera was "
            "turned"
        )
        return FootageFinding(name, "cropped", "refused", text, evidence)
    if abs(focal - 1) > _FOCAL:
        text = (
            f"{name}: its picture is scaled by {100 * (focal - 1):+.1f} % against the court picture it was "
            "calibrated with: zoomed or refocused since; focal length and every depth are off by as much"
        )
        return FootageFinding(name, "zoomed", "flagged", text, evidence)
    text = f"{name}: as calibrated (scale {focal:.4f}, middle off by {away[0]:+.1f}, {away[1]:+.1f} px)"
    return FootageFinding(name, "as calibrated", "fits", text, evidence)


def _moved(camera: Camera, away_px: Array, evidence: dict[str, float], shifted: bool) -> FootageFinding:
    turn_deg = float(np.degrees(np.arctan(np.linalg.norm(away_px) / camera.K_px[0, 0])))
    text = (
        f"{camera.name}: the camera was turned or moved since its court picture was taken: the middle of the "
        f"picture went {away_px[0]:+.0f}, {away_px[1]:+.0f} px (as a turn, {turn_deg:.1f} degrees); place it "
        "anew"
    )
    return FootageFinding(camera.name, "moved", "refused" if shifted else "flagged", text, evidence)


def _resized(
    name: str, sizes: str, expected: float, focal: float, shifted: bool, evidence: dict[str, float]
) -> FootageFinding:
    if not shifted and abs(focal - 1) <= _FOCAL and expected != 1.0:
        text = (
            f"{name}: {sizes}: the same field at another size (every pixel scaled by {expected:.4f}); film "
            "or export at the calibrated size, or place the cameras anew with a court picture of this size"
        )
        return FootageFinding(name, "resized", "refused", text, evidence)
    text = (
        f"{name}: {sizes}: another field of view (pixels scaled by {evidence['scale']:.3f}): another crop or "
        "video mode; film in the calibrated one"
    )
    return FootageFinding(name, "cropped", "refused", text, evidence)
