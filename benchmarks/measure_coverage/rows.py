"""Everything measured of a session beside its truth: measures, instants, gravity, clocks, the tip's errors."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from benchmarks.measure_coverage.families import family_of
from benchmarks.measure_coverage.subjects import Subject
from calibration.checks import Array
from calibration.court.model import CENTRE_LINE_WIDTH_M, SINGLES_WIDTH_M
from demo_rigs.racket_ball import GRAVITY_M_S2
from demo_rigs.true_measures import true_events, true_measures
from recon.pipeline.reconstruct import athlete_of
from recon.result import Result, load_result
from recon.session import load_session

_K95 = 1.96


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """One value beside its truth, SI units.

    serve  that the session filmed, where several sessions show the same one
    value  None where absent, for `reason`; truth: None where the serve has no such thing, or nothing tells it
    note   what the measure says in words
    """

    subject: str
    measure: str
    unit: str
    value: float | None
    u: float | None = None
    low95: float | None = None
    high95: float | None = None
    truth: float | None = None
    reason: str = ""
    note: str = ""
    serve: str = ""

    @property
    def family(self) -> str:
        """Of the measure."""
        return family_of(self.measure)

    @property
    def error(self) -> float | None:
        """Measured minus true; angles are both unwrapped alike, so no whole turns are taken away."""
        return None if self.value is None or self.truth is None else self.value - self.truth

    @property
    def holds(self) -> bool | None:
        """Whether the interval holds the truth; None where one of them is missing."""
        if self.low95 is None or self.high95 is None or self.truth is None:
            return None
        return self.low95 <= self.truth <= self.high95


@dataclass(frozen=True, slots=True)
class Tip:
    """Distances (n,) of the racket tip from its true place, metres: from trophy to drop, and in the last 50 ms
    before contact; NaN where it is absent."""

    drop_m: Array
    swing_m: Array


@dataclass(frozen=True, slots=True)
class Outcome:
    """All of one session. refusal: what the program said where it would not measure; then there are no rows."""

    subject: Subject
    rows: tuple[Row, ...] = ()
    tip: Tip | None = None
    refusal: str = ""


class Truth:
    """What a truth file and its cameras tell."""

    def __init__(self, subject: Subject) -> None:
        self._subject = subject
        self._athlete = athlete_of(load_session(subject.folder))
        with xr.open_dataset(subject.truth, engine="h5netcdf") as data:
            self.attributes = dict(data.attrs)
            self.t_s = np.array(data["time"].values)
            self.tip_m = np.array(data["xyz_m"].sel(keypoint="racket_tip").values)
        self.offsets_s: dict[str, float] = {
            c: clip["offset_s"] for c, clip in _json(subject.cameras)["clips"][subject.clip].items()
        }

    @cached_property
    def measures(self) -> dict[str, float | None]:
        """The measures' own definitions on the true motion; what concerns lines, by the rendered shoes."""
        found = true_measures(self._subject.truth, self._athlete)
        return found | {name: value for name, value in self.lines().items() if name in found}

    def lines(self) -> dict[str, float]:
        """Clearances of the soles on the ground from start to contact, metres."""
        a = self.attributes
        low, high = float(a["sole_x_min_m"]), float(a["sole_x_max_m"])
        on_right = low + high > 0
        return {
            "foot_fault_clearance": -float(a["sole_y_m"]),
            "centre_mark_clearance": (low if on_right else -high) - CENTRE_LINE_WIDTH_M / 2,
            "sideline_clearance": SINGLES_WIDTH_M / 2 - (high if on_right else -low),
        }

    def instants(self) -> dict[str, float | None]:
        """Event → scene time."""
        return {e.name: e.t_s for e in true_events(self._subject.truth).events}


def outcome_of(subject: Subject) -> Outcome:
    """Everything that is judged of one measured session."""
    if subject.refusal:
        return Outcome(subject, refusal=subject.refusal)
    result, truth = load_result(subject.folder), Truth(subject)
    scene_from_rig_s = truth.offsets_s[result.clocks.reference]
    rows = [*_measures(subject, result, truth), *_events(subject, result, truth, scene_from_rig_s)]
    rows += _checks(subject, result, truth)
    tip = _tip(result, truth, scene_from_rig_s)
    return Outcome(subject, tuple(replace(row, serve=subject.clip) for row in rows), tip)


def _measures(subject: Subject, result: Result, truth: Truth) -> list[Row]:
    return [
        Row(subject=subject.name, measure=m.name, unit=m.unit, value=m.value, u=m.u, low95=m.low95,
            high95=m.high95, truth=truth.measures.get(m.name), reason=m.reason, note=m.note)
        for m in result.measures.measures
    ]  # fmt: skip


def _events(subject: Subject, result: Result, truth: Truth, scene_from_rig_s: float) -> list[Row]:
    out = []
    for name, scene_s in truth.instants().items():
        event = result.events.of(name)
        true = None if scene_s is None else scene_s - scene_from_rig_s
        out.append(_interval(subject, f"event_{name}", "s", event.t_s, event.u_s, true, event.reason))
    return out


def _checks(subject: Subject, result: Result, truth: Truth) -> list[Row]:
    clocks = result.clocks
    out = [
        _interval(subject, f"clock_{c.camera}", "s", c.offset_s, c.u_s,
                  truth.offsets_s[c.camera] - truth.offsets_s[clocks.reference])
        for c in clocks.clocks
        if c.camera != clocks.reference
    ]  # fmt: skip
    flight = result.flight
    value, u = (None, None) if flight is None else (flight.gravity_m_s2, flight.u_gravity_m_s2)
    true = GRAVITY_M_S2 if subject.ball else None
    return [*out, _interval(subject, "toss_gravity", "m/s²", value, u, true, "no free flight was found")]


def _interval(
    subject: Subject, name: str, unit: str, value: float | None, u: float | None, truth: float | None,
    reason: str = "",
) -> Row:  # fmt: skip
    if value is None or u is None:
        return Row(subject=subject.name, measure=name, unit=unit, value=None, truth=truth, reason=reason)
    return Row(
        subject=subject.name, measure=name, unit=unit, value=value, u=u, low95=value - _K95 * u,
        high95=value + _K95 * u, truth=truth,
    )  # fmt: skip


def _tip(result: Result, truth: Truth, scene_from_rig_s: float) -> Tip:
    motion, when = result.motion, truth.instants()
    scene = motion.t_s + scene_from_rig_s
    true = np.stack([np.interp(scene, truth.t_s, axis) for axis in truth.tip_m.T], axis=1)
    off = np.linalg.norm(motion.xyz_m[:, motion.keypoints.index("racket_tip")] - true, axis=1)
    contact = when["contact"] or np.inf
    drop = (scene >= (when["trophy"] or np.inf)) & (scene <= (when["racket_low"] or -np.inf))
    return Tip(off[drop], off[(scene >= contact - 0.05) & (scene <= contact)])


def _json(path: Path) -> dict[str, Any]:
    return dict(json.loads(path.read_text(encoding="utf-8")))
