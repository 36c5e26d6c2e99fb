"""What is judged: a measured session and its truth, whether a variation or one of the demo's sessions."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from benchmarks.measure_coverage.footage import (
    cameras_path,
    is_filmed,
    renew_truth,
    session_folder,
    truth_path,
)
from benchmarks.measure_coverage.measured import REFUSED
from benchmarks.measure_coverage.scene import is_child, is_held_out
from benchmarks.measure_coverage.variations import Variation
from recon.result import PROVENANCE

CHOSEN_ON = frozenset(f"v{k:02d}" for k in (0, 1, 2, 3, 4, 5, 9, 25, 29, 31, 33, 39, 40, 41, 42, 43))
"""Serves on which parts of u or of a method were chosen: they prove less than the others."""
CHOSEN_ON_ALL = (
    "front_foot_yaw_deepest_bend", "front_knee_flexion_trophy", "back_knee_flexion_deepest",
    "wrist_below_elbow", "tip_below_wrist", "forearm_lay_back", "sideline_clearance",
)  # fmt: skip
"""Measures whose part of u called posture was chosen on every serve of the benchmark."""
FRESH = "nothing was chosen on it"

KINDS = (
    "right-handed", "left-handed", "platform stance", "pinpoint stance", "leaves the ground",
    "stays on the ground", "child", "body near one of the detector study's", "body near one held out of it",
    FRESH,
)  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class Subject:
    """One session to judge.

    truth, cameras   truth file, and file of true cameras and clocks; clip: the serve's name in them
    n_cameras, fps, ball, tape   what it was filmed with
    kinds            words for what else it is: KINDS
    """

    name: str
    folder: Path
    truth: Path
    cameras: Path
    clip: str
    n_cameras: int
    fps: float
    ball: bool = True
    tape: bool = True
    kinds: frozenset[str] = frozenset()

    @property
    def refusal(self) -> str:
        """What the program said where it would not measure; "" where it did."""
        note = self.folder / REFUSED
        return note.read_text(encoding="utf-8").strip() if note.is_file() else ""

    @property
    def is_measured(self) -> bool:
        """Whether there is a result, or a refusal."""
        return bool(self.refusal) or (self.folder / "derived" / PROVENANCE).is_file()

    @property
    def is_usual(self) -> bool:
        """Filmed as the goals want it: three cameras, ball and tape to be seen."""
        return self.n_cameras == 3 and self.ball and self.tape


def subject_of(work: Path, v: Variation) -> Subject:
    """A filmed variation."""
    return Subject(
        name=v.name, folder=session_folder(work, v), truth=truth_path(work, v), cameras=cameras_path(work, v),
        clip=v.name, n_cameras=len(v.cameras), fps=v.fps, ball=v.ball, tape=v.tape, kinds=kinds_of(v),
    )  # fmt: skip


def kinds_of(v: Variation) -> frozenset[str]:
    """What else a variation is: words of KINDS."""
    told = {
        f"{v.handedness}-handed",
        "pinpoint stance" if v.pinpoint else "platform stance",
        "leaves the ground" if v.leaves else "stays on the ground",
        "body near one held out of it" if is_held_out(v) else "body near one of the detector study's",
    }
    told |= {kind for kind, fits in (("child", is_child(v)), (FRESH, v.name not in CHOSEN_ON)) if fits}
    return frozenset(told)


def subjects(work: Path, wanted: list[Variation], wheel: Path, demo: Path | None) -> list[Subject]:
    """All measured sessions among the wanted variations, their truth up to date, and the demo's where named."""
    filmed = [v for v in wanted if is_filmed(work, v)]
    for v in filmed:
        renew_truth(work, v, wheel)
    found = [subject_of(work, v) for v in filmed]
    return [s for s in (*found, *(demo_subjects(demo) if demo else ())) if s.is_measured]


def demo_subjects(out: Path) -> list[Subject]:
    """Three- and two-camera sessions of a finished demo."""
    made = []
    for truth in sorted((out / "truth").glob("*.nc")):
        for suffix, n in (("", 3), ("_two_cameras", 2)):
            folder = out / f"{truth.stem}{suffix}"
            made.append(
                Subject(
                    name=folder.name,
                    folder=folder,
                    truth=truth,
                    cameras=out / "truth" / "cameras.json",
                    clip=truth.stem,
                    n_cameras=n,
                    fps=120.0,
                )
            )
    return made
