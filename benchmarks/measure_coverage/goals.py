"""What was asked of the measures, and what was reached."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from benchmarks.measure_coverage.rows import Outcome, Row
from calibration.checks import Array

VERDICTS = ("clear", "touching", "cannot be told")


@dataclass(frozen=True, slots=True)
class Goal:
    """One goal: what, at most how much (in its unit), what was reached (NaN: nothing to judge), of how many."""

    what: str
    limit: float
    reached: float
    unit: str
    n: int

    @property
    def word(self) -> str:
        """In a word."""
        return "nothing to judge" if self.n == 0 else "reached" if self.reached <= self.limit else "missed"


def goals(outcomes: Sequence[Outcome]) -> list[Goal]:
    """All goals; those of lengths and instants with three cameras, ball and tape to be seen."""
    usual = [o for o in outcomes if o.subject.is_usual]
    rows = [row for o in usual for row in o.rows]
    flown = [row for o in usual if "leaves the ground" in o.subject.kinds for row in o.rows]
    frame = {o.subject.name: 1 / o.subject.fps for o in usual}
    everything = [row for o in outcomes for row in o.rows]
    tips = [o.tip for o in usual if o.tip is not None]
    return [
        _median("racket tip from trophy to drop, median", 15, "mm", 1e3, _joined(t.drop_m for t in tips)),
        _median("racket tip in the last 50 ms, median", 25, "mm", 1e3, _joined(t.swing_m for t in tips)),
        _of(rows, "spine_plane_min", "signed crossing distance, median", 15, "mm", 1e3),
        _of(rows, "spine_plane_head_min", "the same by the head, median", 40, "mm", 1e3),
        _frames(rows, "event_contact", "contact, median", 0.5, frame, np.median),
        _frames(rows, "event_contact", "contact, 95 % of them", 0.5, frame, _high),
        _of(rows, "event_release", "release, median", 15, "ms", 1e3),
        _of(rows, "event_release", "release, 95 % of them", 15, "ms", 1e3, _high),
        _frames(rows, "event_push_off", "push-off, median", 2, frame, np.median),
        _frames(rows, "event_push_off", "push-off, 95 % of them", 2, frame, _high),
        _frames(flown, "event_push_off", "push-off in a flight, median", 2, frame, np.median),
        _frames(flown, "event_push_off", "push-off in a flight, 95 % of them", 2, frame, _high),
        _of(rows, "toss_gravity", "gravity of the toss, median", 0.15, "m/s²", 1),
        _of(rows, "toss_gravity", "gravity of the toss, 95 % of them", 0.15, "m/s²", 1, _high),
        *_fault_goals(everything),
    ]  # fmt: skip


def _high(values: Array) -> float:
    return float(np.percentile(values, 95))


def _joined(parts: Iterable[Array]) -> Array:
    known = [part[~np.isnan(part)] for part in parts]
    return np.concatenate(known) if known else np.zeros(0)


def _median(what: str, limit: float, unit: str, k: float, values: Array) -> Goal:
    return Goal(what, limit, k * float(np.median(values)) if len(values) else np.nan, unit, len(values))


Middle = Callable[[Array], float]


def _of(
    rows: Sequence[Row], name: str, what: str, limit: float, unit: str, k: float,
    middle: Middle = lambda x: float(np.median(x)),
) -> Goal:  # fmt: skip
    errors = np.array([abs(r.error) for r in rows if r.measure == name and r.error is not None])
    return Goal(what, limit, k * middle(errors) if len(errors) else np.nan, unit, len(errors))


def _frames(
    rows: Sequence[Row], name: str, what: str, limit: float, frame_s: dict[str, float], middle: Middle
) -> Goal:
    found = [abs(r.error) / frame_s[r.subject] for r in rows if r.measure == name and r.error is not None]
    return Goal(what, limit, float(middle(np.array(found))) if found else np.nan, "frames", len(found))


def _fault_goals(rows: Sequence[Row]) -> list[Goal]:
    told = verdicts(rows)
    wrong = [clear_wrong or touch_wrong for clear_wrong, touch_wrong in map(_wrong, told)]
    over = [row for row in told if row.truth is not None and row.truth <= -0.0095]
    clear = [row.note == "clear" for row in over]
    return [
        Goal("foot-fault verdicts that are wrong", 2.5, _percent(wrong), "%", len(wrong)),
        Goal("sole 10 mm and more over the line called clear", 0.0, _percent(clear), "%", len(clear)),
    ]


def verdicts(rows: Sequence[Row]) -> list[Row]:
    """Foot-fault rows with a verdict and a truth."""
    return [
        r for r in rows
        if r.measure == "foot_fault_clearance" and r.truth is not None and r.note in VERDICTS
    ]  # fmt: skip


def _wrong(row: Row) -> tuple[bool, bool]:
    """Called clear though it touches, called touching though it is clear."""
    behind = (row.truth or 0.0) > 0
    return row.note == "clear" and not behind, row.note == "touching" and behind


def _percent(values: Sequence[bool]) -> float:
    return 100 * float(np.mean(values)) if values else np.nan
