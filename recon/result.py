"""Everything known about one measured serve, read back from its session folder."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from calibration import BadInput, CalibratedRig
from calibration.history import Calibration, calibration_of, calibrations
from calibration.own import load_any_rig
from calibration.provenance import content_hash
from recon import store
from recon.racket_points import FILE_NAME as RACKET_CLICKS
from recon.records import BallFlight, Clocks, Events, MeasureSet, Motion, Points3D, RacketPose, Tracks2D
from recon.session import Session, load_session

TRACKS = "tracks.nc"
CLOCKS = "clocks.json"
POINTS = "points.nc"
MOTION = "motion.nc"
FLIGHT = "ball_flight.json"
EVENTS = "events.json"
MEASURES = "measures.json"
RACKET = "racket.nc"
PROVENANCE = "provenance.json"
TOLD = ("times", "people", "ball")
"""Headings of a run's notes that hold what a reader should know."""
PICTURES = "pictures"
STILLS = "stills"
REPORT = "report.html"
VIEWER_PICTURE = "viewer.png"
CLICKS_INPUT = "racket points"
"""Heading of the clicked points' hash among a run's inputs."""
MEASURED_AS = "measured as"
"""Heading of a run's notes: the hand that the measures name arms and feet after, where session.toml says the
other one."""


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """One measured serve. pictures: small frames per camera, empty where none were kept.

    racket: its pose, None where no racket was followed.
    """

    session: Session
    rig: CalibratedRig
    tracks: Tracks2D
    clocks: Clocks
    points: Points3D
    motion: Motion
    flight: BallFlight | None
    events: Events
    measures: MeasureSet
    pictures: tuple[store.FramePictures, ...]
    provenance: dict[str, object]
    racket: RacketPose | None = None

    @property
    def quality(self) -> tuple[str, ...]:
        """Signs that this serve should not be relied on as it stands; empty where there are none."""
        return (*self._newer_clicks(), *self._noted("quality"))

    @property
    def told(self) -> tuple[str, ...]:
        """What a reader should know though it makes nothing wrong: how the times of the pictures were found,
        whom the server was told from, where a camera had lost or mistaken them, which throws were passed over.
        """
        return tuple(sentence for heading in TOLD for sentence in self._noted(heading))

    @property
    def racket_told(self) -> tuple[str, ...]:
        """What was found of the racket, and how much of it was measured and how much inferred."""
        return self._noted("racket")

    def _newer_clicks(self) -> tuple[str, ...]:
        """That the racket was clicked since; no error, for whoever is clicking still looks at the serve."""
        path, inputs = self.session.folder / RACKET_CLICKS, self.provenance.get("inputs")
        if not isinstance(inputs, dict):
            return ()
        if inputs.get(CLICKS_INPUT) == (content_hash(path) if path.is_file() else None):
            return ()
        return (f"{RACKET_CLICKS} changed since the serve was measured; `courtplumb measure` reads it again",)

    def _noted(self, key: str) -> tuple[str, ...]:
        notes = self.provenance.get("notes", {})
        return tuple(notes.get(key, ())) if isinstance(notes, dict) else ()

    @property
    def calibration(self) -> Calibration | None:
        """The kept calibration that the serve was measured with; None where the rig keeps no history."""
        return calibration_of(self.session.rig_path)


def load_result(folder: Path) -> Result:
    """Read a measured session.

    Raises BadInput where the folder is no session or has not been measured.
    """
    session = load_session(folder)
    d = session.derived
    if not (d / PROVENANCE).is_file():  # written last: without it the other files may stem from a broken run
        raise BadInput(f"{folder}: not measured yet; run `courtplumb measure {folder}` first")
    provenance = dict(store.read_json(d / PROVENANCE, "courtplumb provenance"))
    session = _with_its_rig(session, provenance)
    _want_unchanged(session, provenance)
    session = _as_measured(session, provenance)
    tracks = store.load_tracks(d / TRACKS)
    indexes = [d / PICTURES / c.camera for c in tracks.cameras]
    return Result(
        session=session,
        rig=load_any_rig(session.rig_path).subset([c.camera for c in tracks.cameras]),
        tracks=tracks,
        clocks=store.load_clocks(d / CLOCKS),
        points=store.load_points(d / POINTS),
        motion=store.load_motion(d / MOTION),
        flight=store.load_flight(d / FLIGHT),
        events=store.load_events(d / EVENTS),
        measures=store.load_measures(d / MEASURES),
        pictures=tuple(store.load_frame_pictures(p) for p in indexes if (p / "index.json").is_file()),
        provenance=provenance,
        racket=store.load_racket(d / RACKET) if (d / RACKET).is_file() else None,
    )


def _with_its_rig(session: Session, provenance: dict[str, object]) -> Session:
    """The session with the calibration it was measured with, where the rig has another one by now."""
    inputs = provenance.get("inputs")
    measured = inputs.get("rig") if isinstance(inputs, dict) else None
    path = session.rig_path
    if not isinstance(measured, str) or (path.is_file() and content_hash(path) == measured):
        return session
    kept = any(c.sha256 == measured for c in calibrations(path))
    return replace(session, rig_version=measured) if kept else session


def _as_measured(session: Session, provenance: dict[str, object]) -> Session:
    """The session with the hand that it was measured by, where the cameras saw the other one than it says."""
    notes = provenance.get("notes")
    hand = notes.get(MEASURED_AS) if isinstance(notes, dict) else None
    if hand not in ("left", "right"):
        return session
    return replace(session, file=session.file.model_copy(update={"handedness": hand}))


def _want_unchanged(session: Session, provenance: dict[str, object]) -> None:
    """Results belong to the session file and the rig they were made from, not to edited ones."""
    inputs = provenance.get("inputs")
    if not isinstance(inputs, dict):
        return
    if "session" in inputs and inputs["session"] != session.file.measured_by():
        raise _changed(session.folder / "session.toml")
    if "rig" in inputs and inputs["rig"] != content_hash(session.rig_path):
        raise _changed(session.rig_path)


def _changed(path: Path) -> BadInput:
    return BadInput(f"{path}: changed since the serve was measured; run `courtplumb measure` again")
