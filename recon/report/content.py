"""What the page holds, gathered from a result: texts and pictures, no HTML."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from markupsafe import Markup

from calibration.errors import BadInput
from recon.definitions import FAMILIES
from recon.records import EVENT_NAMES, Events, Measure, Motion, PointStatus
from recon.repeats import label_words
from recon.report.drawings import draw
from recon.report.facts import checks_of, facts_of, written_on
from recon.report.sections import FindingGroup, ScreenSection, findings_of_one, screens_of_one
from recon.report.unsure import Unsure, unsure_of
from recon.report.words import meaning_of, mostly_from
from recon.result import PROVENANCE, STILLS, Result
from recon.session import Labels
from recon.wording import (
    clock_texts,
    detail_text,
    event_time_text,
    interval_text,
    source_texts,
    time_text,
    value_text,
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
    age: str
    labels: str
    quality: tuple[str, ...]
    told: tuple[str, ...]
    measured_on: str
    invented: bool
    cameras: tuple[str, ...]
    headlines: tuple[Card, ...]
    more: tuple[Card, ...]
    groups: tuple[Group, ...]
    findings: FindingGroup
    screens: ScreenSection | None
    unsure: Unsure
    absent: tuple[Card, ...]
    moments: tuple[Moment, ...]
    clocks: tuple[tuple[str, str], ...]
    checks: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]


def gather(result: Result) -> Page:
    """The page of one measured serve."""
    cards = {m.name: _card(result, m) for m in result.measures.measures}
    file = result.session.file
    return Page(
        athlete=file.athlete or "no name given",
        hand=f"{file.handedness}-handed",
        height="" if file.height_m is None else f"{file.height_m:.2f} m tall",
        age="" if file.age_years is None else f"{file.age_years:g} years old",
        labels=labels_text(file.serve),
        quality=result.quality,
        told=result.told,
        measured_on=written_on(result.session.derived / PROVENANCE),
        invented=is_invented(result),
        cameras=tuple(c.camera for c in result.tracks.cameras),
        headlines=tuple(cards[n] for n in HEADLINES if n in cards),
        more=tuple(cards[n] for n in MORE if n in cards),
        groups=_groups(cards),
        findings=findings_of_one(result),
        screens=screens_of_one(result),
        unsure=unsure_of(result.measures.measures),
        absent=tuple(c for c in cards.values() if c.reason),
        moments=_moments(result),
        clocks=clock_texts(result.clocks),
        checks=checks_of(result),
        facts=facts_of(result),
    )


_LABELS = {
    "type": "type", "side": "side", "effort_percent": "effort", "landed": "in or out", "ball": "ball",
    "racket_length_m": "racket length",
}  # fmt: skip


def labels_text(labels: Labels) -> str:
    """What kind of serve it was, and what nobody wrote down: 'flat, in; not written down: side, effort'."""
    unknown = [words for key, words in _LABELS.items() if getattr(labels, key) is None]
    missing = f"not written down: {', '.join(unknown)}" if unknown else ""
    return "; ".join(
        part for part in ("" if len(unknown) == len(_LABELS) else label_words(labels), missing) if part
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
        note=_note(result, m),
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


def _note(result: Result, m: Measure) -> str:
    """The measure's own words; for the racket's headline also how much of the racket was not measured."""
    share = inferred_share(result.motion, result.events) if m.name == HEADLINES[0] else 0.0
    if m.value is None or share == 0:
        return m.note
    told = f"racket tip inferred, not measured, in {max(share, 0.01):.0%} of the time from trophy to contact"
    return f"{m.note}; {told}" if m.note else told


def inferred_share(motion: Motion, events: Events) -> float:
    """Share of the instants from trophy to contact, among those with a racket tip, in which it was inferred.

    Inferred: told by other points of the racket, neither measured nor bridged from its own neighbours in time.
    """
    t0, t1 = events.time("trophy"), events.time("contact")
    if t0 is None or t1 is None or "racket_tip" not in motion.keypoints:
        return 0.0
    inside = (motion.t_s >= t0) & (motion.t_s <= t1)
    status = motion.status[inside, motion.index("racket_tip")]
    told = np.isin(status, (PointStatus.OK, PointStatus.BRIDGED, PointStatus.INFERRED))
    return float((status == PointStatus.INFERRED).sum() / max(told.sum(), 1))


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
