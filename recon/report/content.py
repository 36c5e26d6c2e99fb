"""What the page holds, gathered from a result: texts and pictures, no HTML."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
from markupsafe import Markup

from calibration.errors import BadInput
from calibration.provenance import content_hash
from recon.definitions import FAMILIES
from recon.records import EVENT_NAMES, Measure
from recon.report.drawings import draw
from recon.report.words import meaning_of, mostly_from
from recon.result import PROVENANCE, STILLS, Result
from recon.wording import (
    clock_texts,
    detail_text,
    event_time_text,
    interval_text,
    source_texts,
    time_text,
    value_text,
    value_with_uncertainty,
)

HEADLINES = ("spine_plane_min", "hip_past_baseline_max", "front_foot_turn")
MORE = (
    "elbow_angle_trophy",
    "front_knee_flexion_trophy",
    "trunk_inclination_trophy",
    "front_knee_flexion_deepest",
    "back_knee_flexion_deepest",
    "foot_fault_clearance",
    "contact_height",
    "contact_height_ratio",
)
"""Measures that get a card of their own; the others stand in tables, family by family."""
_WIDEST_STILL_PX = 800
_LONG = 16


@dataclass(frozen=True, slots=True)
class Card:
    """One measure as the page shows it; `value` is "not measured" where `reason` is given."""

    name: str
    label: str
    value: str
    note: str
    reason: str
    what: str
    grade: str
    beside: str
    when: str
    drawing: Markup | None
    detail: str
    interval: str
    sources: tuple[tuple[str, str], ...]
    mostly: str
    helps: str


@dataclass(frozen=True, slots=True)
class Group:
    """The measures of one family that have no card of their own."""

    title: str
    cards: tuple[Card, ...]


@dataclass(frozen=True, slots=True)
class Still:
    """One picture: which camera, and the JPEG as a data URI."""

    camera: str
    uri: str


@dataclass(frozen=True, slots=True)
class Moment:
    """One event: when, and its pictures."""

    name: str
    words: str
    time: str
    reason: str
    t_s: float | None
    stills: tuple[Still, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """Everything on the page, in the order of reading."""

    athlete: str
    hand: str
    height: str
    measured_on: str
    invented: bool
    cameras: tuple[str, ...]
    headlines: tuple[Card, ...]
    more: tuple[Card, ...]
    groups: tuple[Group, ...]
    absent: tuple[Card, ...]
    moments: tuple[Moment, ...]
    clocks: tuple[tuple[str, str], ...]
    facts: tuple[tuple[str, str], ...]


def gather(result: Result) -> Page:
    """The page of one measured serve."""
    cards = {m.name: _card(result, m) for m in result.measures.measures}
    file = result.session.file
    return Page(
        athlete=file.athlete or "no name given",
        hand=f"{file.handedness}-handed",
        height="" if file.height_m is None else f"{file.height_m:.2f} m tall",
        measured_on=_written_on(result.session.derived / PROVENANCE),
        invented=is_invented(result),
        cameras=tuple(c.camera for c in result.tracks.cameras),
        headlines=tuple(cards[n] for n in HEADLINES if n in cards),
        more=tuple(cards[n] for n in MORE if n in cards),
        groups=_groups(cards),
        absent=tuple(c for c in cards.values() if c.reason),
        moments=_moments(result),
        clocks=clock_texts(result.clocks),
        facts=_facts(result),
    )


def _groups(cards: Mapping[str, Card]) -> tuple[Group, ...]:
    """What is left beside the cards, family by family; measures of no family last."""
    left = {name: card for name, card in cards.items() if name not in HEADLINES + MORE and not card.reason}
    groups = []
    for family in FAMILIES:
        own = tuple(left.pop(d.name) for d in family.measures if d.name in left)
        groups += [Group(family.title, own)] if own else []
    return (*groups, *([Group("Others", tuple(left.values()))] if left else []))


def is_invented(result: Result) -> bool:
    """Whether the session says that nobody served it: in what made it, or in the athlete's label."""
    said = str(result.session.file.athlete).lower()
    return bool(result.provenance.get("invented")) or "invented" in said


def _card(result: Result, m: Measure) -> Card:
    meaning = meaning_of(m.name, result.session.file.age_years)
    mostly, helps = mostly_from(m)
    return Card(
        name=m.name,
        label=m.label,
        value=value_text(m),
        note=m.note,
        reason=m.reason if m.value is None else "",
        what=meaning.what,
        grade=meaning.grade,
        beside=meaning.beside,
        when="" if m.t_s is None else _when(result, m.t_s),
        drawing=draw(result, m),
        detail="" if m.value is None else detail_text(m),
        interval=interval_text(m),
        sources=tuple(source_texts(m)),
        mostly=mostly,
        helps=helps,
    )


def _when(result: Result, t_s: float) -> str:
    """'at trophy position' for the event at that frame, else '0.12 s before contact'."""
    frame_s = float(np.median(np.diff(result.motion.t_s))) if len(result.motion.t_s) > 1 else 0.0
    known = [(abs(e.t_s - t_s), e.t_s, e.name) for e in result.events.events if e.t_s is not None]
    gap_s, _, nearest = min(known, default=(np.inf, 0.0, ""))
    if gap_s <= 0.75 * frame_s:
        return f"at {EVENT_NAMES[nearest]}"
    contact = next((t for _, t, name in known if name == "contact"), None)
    if contact is None:
        return f"at {time_text(t_s)}"
    return f"{abs(t_s - contact):.2f} s {'after' if t_s > contact else 'before'} contact"


def _moments(result: Result) -> tuple[Moment, ...]:
    cameras = [c.camera for c in result.tracks.cameras]
    by_name = {e.name: e for e in result.events.events}
    rows = []
    for name, words in EVENT_NAMES.items():
        if name not in by_name:
            continue
        event = by_name[name]
        stills = tuple(still for camera in cameras if (still := _still(result, name, camera)) is not None)
        rows.append(Moment(name, words, event_time_text(event), event.reason, event.t_s, stills))
    return tuple(rows)


def _still(result: Result, event: str, camera: str) -> Still | None:
    """The kept picture of one event and camera, made small enough for a page; None where none was kept."""
    path = result.session.derived / STILLS / f"{event}_{camera}.jpg"
    if not path.is_file():
        return None
    picture = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if picture is None:
        raise BadInput(f"{path}: want a JPEG picture, this one cannot be read")
    data = path.read_bytes()
    height, width = picture.shape[:2]
    if width > _WIDEST_STILL_PX:
        size = (_WIDEST_STILL_PX, round(height * _WIDEST_STILL_PX / width))
        small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
        data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 85])[1].tobytes()
    return Still(camera, "data:image/jpeg;base64," + base64.b64encode(data).decode("ascii"))


def _facts(result: Result) -> tuple[tuple[str, str], ...]:
    """Provenance as it was kept, flattened: 'rig / file' -> text."""
    rows = [("2D points found by", result.tracks.source)]
    if result.flight is not None:
        g = value_with_uncertainty(result.flight.gravity_m_s2, result.flight.u_gravity_m_s2, " m/s²")
        rows.append(("check: gravity from the ball's free flight (9.81 m/s² expected)", g))
    rows += _rig_facts(result)
    _flatten("", {k: v for k, v in result.provenance.items() if k not in ("kind", "format")}, rows)
    return tuple(rows)


def _written_on(path: Path) -> str:
    """The day a file was written, as its clock says; empty where it is not there."""
    return f"{datetime.fromtimestamp(path.stat().st_mtime):%Y-%m-%d}" if path.is_file() else ""


def _rig_facts(result: Result) -> list[tuple[str, str]]:
    """How the cameras were calibrated."""
    rig, path = result.rig, result.session.rig_path
    rows = [("rig", rig.name)]
    if path.is_file():
        rows.append(("rig file", f"SHA-256 {content_hash(path)[:_LONG]}…"))
        rows.append(("rig file written on", _written_on(path)))
    if rig.board_views:
        rows.append(("board positions the rig rests on", str(rig.board_views)))
    for camera, rms_px in zip(rig.cameras, rig.camera_rms_px, strict=False):
        rows.append((f"board corners against the fit, camera {camera.name}", f"{rms_px:.2f} px (rms)"))
    if rig.held_out_px is not None:
        rows.append(("board positions left out of the fit, predicted", f"{rig.held_out_px:.2f} px (rms)"))
    if rig.court is not None:
        rows.append(("clicks on the court against the fit", f"{rig.court.rms_px:.2f} px (rms)"))
        if rig.court.worst_u_m is not None:
            worst = f"{1e3 * rig.court.worst_u_m:.1f} mm"
            rows.append(("what calibration adds to u of a point where the serve is, at most", worst))
    rows += [("flag of the calibration", flag) for flag in rig.flags]
    return rows


def _flatten(path: str, value: object, rows: list[tuple[str, str]]) -> None:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            name = str(key).replace("_", " ")
            _flatten(f"{path} / {name}" if path else name, inner, rows)
    elif isinstance(value, list | tuple) and any(isinstance(v, Mapping | list | tuple) for v in value):
        for n, inner in enumerate(value, start=1):
            _flatten(f"{path} / {n}", inner, rows)
    elif isinstance(value, list | tuple):
        rows.append((path, ", ".join(_plain(v) for v in value)))
    else:
        rows.append((path, _plain(value)))


def _plain(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.4g}"
    text = str(value)
    is_hash = len(text) >= 40 and all(c in "0123456789abcdef" for c in text)
    return f"{text[:_LONG]}…" if is_hash else text
