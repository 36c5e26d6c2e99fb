"""The page of the evidence: written whole from what was measured, never by hand."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

import numpy as np

from benchmarks.measure_coverage.coverage import Coverage, Misses, by_family, by_measure, coverage
from benchmarks.measure_coverage.footage import is_current, is_filmed
from benchmarks.measure_coverage.goals import VERDICTS, Goal, goals, verdicts
from benchmarks.measure_coverage.rigs import calibrated, layouts, true_cameras
from benchmarks.measure_coverage.rows import Outcome, Row, Truth, outcome_of
from benchmarks.measure_coverage.scene import variations
from benchmarks.measure_coverage.subjects import (
    CHOSEN_ON,
    CHOSEN_ON_ALL,
    FRESH,
    KINDS,
    Subject,
    subject_of,
    subjects,
)
from benchmarks.measure_coverage.variations import SEED, Variation
from benchmarks.pages import circumstances, table
from calibration import SERVE_VOLUME, worst_u_over_volume
from calibration.files import write_atomically
from recon.assets import body_wheel

_SHOWN = {"m": ("mm", 1e3), "rad": ("°", 180 / np.pi), "s": ("ms", 1e3), "1": ("", 1.0), "m/s": ("m/s", 1.0),
          "rad/s": ("°/s", 180 / np.pi), "m/s²": ("m/s²", 1.0)}  # fmt: skip
_PACKAGES = ("mediapipe", "numpy", "opencv-contrib-python", "scipy", "vtk")
_MOST_REASONS = 2


def write_page(
    work: Path, wanted: list[Variation], options: argparse.Namespace, say: Callable[[str], object]
) -> None:
    """Judges everything that is measured and writes page and rows.json."""
    wheel = body_wheel()
    outcomes = []
    for subject in subjects(work, wanted, wheel, options.demo):
        outcomes.append(outcome_of(subject))
        say(f"{subject.name}: judged")
    rows = [row for o in outcomes for row in o.rows]
    kept = [{f: getattr(r, f) for f in Row.__slots__} | {"error": r.error, "holds": r.holds} for r in rows]
    write_atomically(work / "rows.json", json.dumps(kept, indent=1))
    old = [v.name for v in wanted if is_filmed(work, v) and not is_current(work, v, wheel)]
    told = circumstances(options, _PACKAGES)
    write_atomically(options.page, page_text(work, wanted, outcomes, old, told))
    for name, found in by_family(rows).items():
        say(f"{name}: {_cells(found)}")
    for goal in goals(outcomes):
        say(f"{goal.what}: {_goal(goal)}")


def page_text(
    work: Path, wanted: Sequence[Variation], outcomes: Sequence[Outcome], old: Sequence[str], told: str
) -> str:
    """The whole page."""
    rows = [row for o in outcomes for row in o.rows]
    names = {o.subject.name for o in outcomes}
    judged = [v for v in wanted if v.name in names]
    parts = [
        "# Measures on rendered serves: do the intervals hold?",
        _INTRODUCTION.format(
            seed=SEED, varied=len(judged), drawn=len(variations()), others=len(outcomes) - len(judged),
            chosen=", ".join(sorted(CHOSEN_ON)), on_all=", ".join(f"`{name}`" for name in CHOSEN_ON_ALL),
        ),
        told, _old(old), _refused(outcomes), "## Goals", _GOALS, _goal_table(goals(outcomes)),
        "## Coverage by family", _COVERAGE, _family_table(rows),
        "### The same, of serves that nothing was chosen on", _family_table(_fresh(outcomes)),
        "## Coverage by what was filmed", _condition_table(outcomes),
        "## Every measure", _EVERY, _measure_table(by_measure(rows)),
        "## Foot faults", _FAULTS, _fault_table(rows),
        "## The serves", _SERVES, _variation_table(work, judged), "## The cameras", _CAMERAS, _rig_table(),
    ]  # fmt: skip
    return "\n\n".join(part for part in parts if part) + "\n"


_INTRODUCTION = """\
*This page is written by `python -m benchmarks.measure_coverage judge`; nothing in it is typed by hand.*

**Invented data.** No such players, courts or cameras exist. Serves are rendered, their truth is known
exactly. Rendered people are no proof for real ones.

{drawn} serves are drawn from the seed {seed}; {varied} of them are measured here, with {others} sessions of
the demo beside. Each is filmed at 1280 × 720, and measured from its videos as a user's would be: detection
in quick mode, clocks from the motion, points, motion, events, measures. Bodies are the invented cast's,
altered in height, muscle, weight and proportions; camera layouts are the demo's and the cast's, moved, with
other lenses, every other one mirrored. The detector's noise model was learned from ten of the sixteen cast
members, unaltered, in other takes ([Rendered athletes](reconstruction-athletes.md)).

Each serve has a calibration of its own: the covariance that a calibration from usual board footage and
court clicks has before these cameras (20 board views a camera, 20 shared, corners to 0.2 px, clicks to 0.7
px, lines painted to 3 mm), and camera errors drawn once from it. Where the ball or the tape is not filmed,
the truth stays that of the serve: contact is the scripted one, though nothing but the body tells it.

Two parts of u, `posture` and `smoothing`, how far a shoe reaches, how push-off and landing are told, and
which patches are no tape were chosen on some of these serves: {chosen}.
For what they touch, coverage there proves nothing; the second table of coverage leaves them out. What
`posture` adds to the u of {on_all} was chosen on all of them, once they had been measured: of how
often the intervals of these hold, nothing here is proof."""
_GOALS = """\
Lengths and instants: sessions with three cameras, ball and tape to be seen. Foot faults: all sessions."""
_COVERAGE = """\
A 95 % interval should hold the truth in 95 of 100 cases. *p* is that of a two-sided binomial test against
95 %, rejected below 1 %. It takes all rows for independent, which measures of one serve are not: they share
its errors, so the test rejects too readily. *p, one per serve* takes one row of each serve by lot and is
the median of 301 such draws."""
_EVERY = """\
Absolute errors over all sessions, whatever was filmed. *u* is the median standard uncertainty. Absent: no
value though there is a truth, with the most frequent reasons."""
_FAULTS = """\
True clearance: from the vertices of the rendered shoes that touch the ground between start and contact, to
the rear edge of the baseline."""
_SERVES = """\
*Sole*: how far behind the line the sole stays, mm. *Crossing*, *turn*: the true smallest distance of the
tip from the spine plane and the true turn of the front foot."""
_CAMERAS = """\
Where they stand in the court, and the largest standard uncertainty of a point in the serve volume that the
calibration alone leaves, with all three."""


def _old(old: Sequence[str]) -> str:
    if not old:
        return ""
    return f"Filmed by an earlier version of the renderer or of the description: {', '.join(old)}."


def _refused(outcomes: Sequence[Outcome]) -> str:
    lines = [f"- {o.subject.name}: {o.refusal}" for o in outcomes if o.refusal]
    return "Sessions that the program would not measure:\n\n" + "\n".join(lines) if lines else ""


def _goal(g: Goal) -> str:
    return f"{g.reached:.3g} {g.unit} of {g.limit:g} ({g.n}), {g.word}"


def _goal_table(found: Iterable[Goal]) -> str:
    rows = [
        [g.what, f"≤ {g.limit:g} {g.unit}", "–" if g.n == 0 else f"{g.reached:.3g} {g.unit}", str(g.n), g.word]
        for g in found
    ]
    return table(["goal", "wanted", "reached", "from", ""], rows)


def _cells(c: Coverage) -> list[str]:
    verdict = "rejected" if c.rejected else "holds"
    by_serves = "rejected" if c.rejected_by_serves else "holds"
    return [f"{100 * c.share:.1f} %", f"{c.held} of {c.n}", f"{c.p:.2g}, {verdict}", str(c.serves),
            f"{c.p_serves:.2g}, {by_serves}"]  # fmt: skip


def _fresh(outcomes: Sequence[Outcome]) -> list[Row]:
    return [row for o in outcomes if FRESH in o.subject.kinds for row in o.rows]


def _family_table(rows: Sequence[Row]) -> str:
    found = {**by_family(rows), "**all**": coverage(rows)}
    head = ["family", "held", "rows", "p, all rows", "serves", "p, one per serve"]
    return table(head, [[name, *_cells(c)] for name, c in found.items()])


_CONDITIONS: dict[str, Callable[[Subject], bool]] = {
    "three cameras": lambda s: s.n_cameras == 3,
    "two cameras": lambda s: s.n_cameras == 2,
    "no ball": lambda s: not s.ball,
    "no tape": lambda s: not s.tape,
    "240 pictures a second": lambda s: s.fps == 240,
    "three cameras, ball and tape": lambda s: s.is_usual,
}


def _of_kind(kind: str) -> Callable[[Subject], bool]:
    return lambda s: kind in s.kinds


def _condition_table(outcomes: Sequence[Outcome]) -> str:
    rows = []
    for name, fits in {**_CONDITIONS, **{kind: _of_kind(kind) for kind in KINDS}}.items():
        own = [row for o in outcomes if fits(o.subject) for row in o.rows]
        if own:
            rows.append([name, *_cells(coverage(own)), f"{_absent(own):.0f} %"])
    head = ["filmed", "held", "rows", "p, all rows", "serves", "p, one per serve", "absent"]
    return table(head, rows)


def _absent(rows: Sequence[Row]) -> float:
    known = [row for row in rows if row.truth is not None]
    return 100 * sum(row.value is None for row in known) / max(len(known), 1)


def _measure_table(found: Iterable[Misses]) -> str:
    rows = []
    for m in found:
        unit, k = _SHOWN[m.unit]
        numbers = [_number(k * x) for x in (m.median, m.p95, m.u)]
        held = f"{m.coverage.held} of {m.coverage.n}" if m.coverage.n else "–"
        reasons = "; ".join(f"{why} ({n})" for why, n in list(m.reasons.items())[:_MOST_REASONS])
        rows.append(
            [m.family, f"`{m.measure}`", unit, *numbers, held, str(m.absent) if m.absent else "", reasons]
        )
    head = ["family", "measure", "unit", "median error", "95th percentile", "u", "held", "absent", "why"]
    return table(head, rows)


def _number(x: float) -> str:
    return "–" if np.isnan(x) else f"{x:.3g}"


def _fault_table(rows: Sequence[Row]) -> str:
    told = verdicts(rows)
    bands = {"more than 10 mm over": (-np.inf, -0.0105), "10 mm over": (-0.0105, -0.0095),
             "less than 10 mm over": (-0.0095, 0.0), "less than 10 mm behind": (0.0, 0.01),
             "10 to 30 mm behind": (0.01, 0.03), "more than 30 mm behind": (0.03, np.inf)}  # fmt: skip
    lines = []
    for name, (low, high) in bands.items():
        own = [r.note for r in told if low < (r.truth or 0.0) <= high]
        lines.append([name, *(str(own.count(v)) for v in VERDICTS)])
    return table(["true clearance of the sole", *VERDICTS], lines)


def _variation_table(work: Path, judged: Sequence[Variation]) -> str:
    rows = []
    for v in judged:
        true = Truth(subject_of(work, v)).measures
        rows.append([
            v.name, f"{v.athlete}, {v.height_m:.2f} m", v.handedness, v.footwork, f"{v.script}, {v.style}",
            str(v.rig), ", ".join(v.cameras), str(v.fps), v.light, _yes(v.ball), _yes(v.tape),
            f"{1e3 * v.sole_m:.0f}", *_true(true, (("spine_plane_min", 1e3), ("front_foot_turn", 180 / np.pi))),
        ])  # fmt: skip
    head = ["", "body", "hand", "footwork", "script, style", "rig", "cameras", "fps", "light", "ball", "tape",
            "sole, mm", "crossing, mm", "turn, °"]  # fmt: skip
    return table(head, rows)


def _rig_table() -> str:
    rows = []
    for k, layout in enumerate(layouts()):
        cameras = tuple(true_cameras(k, [c["name"] for c in layout], (1280, 720)).values())
        u = worst_u_over_volume(cameras, calibrated("", cameras, 0).covariance, SERVE_VOLUME)
        for c in sorted(layout, key=lambda c: str(c["name"])):
            x, y, z = c["place_m"]
            worst = "–" if u is None else f"{1e3 * u:.1f}"
            rows.append([str(k), c["name"], f"{x:.1f}, {y:.1f}", f"{z:.1f}", f"{c['focal_px'][0]:.0f}", worst])
    return table(["rig", "camera", "x, y, m", "height, m", "focal length, px", "worst u, mm"], rows)


def _true(true: dict[str, float | None], wanted: Iterable[tuple[str, float]]) -> list[str]:
    return ["–" if (x := true.get(name)) is None else f"{k * x:.0f}" for name, k in wanted]


def _yes(x: bool) -> str:
    return "yes" if x else "no"
