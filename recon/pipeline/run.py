"""Measures one session: tracks, clocks, points, motion, flight, events, measures, each kept as it is made."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from calibration import CalibratedRig
from calibration.errors import BadInput
from calibration.footage import probe
from calibration.footage_check import FootageFinding
from calibration.history import calibration_of
from calibration.own import load_any_rig
from calibration.provenance import content_hash, program_version
from recon import result as names
from recon import store
from recon.keypoints import NobodySeen, read_own_keypoints
from recon.pipeline.clock_sources import sound_paths
from recon.pipeline.detect import Beside, detect_tracks
from recon.pipeline.footage import timed, want_fitting
from recon.pipeline.options import METHOD, PipelineOptions, Progress, silent
from recon.pipeline.pictures import make_pictures
from recon.pipeline.placement import moved_camera_flags
from recon.pipeline.racket_route import check_racket_file, racket_inputs, with_racket_points
from recon.pipeline.reconstruct import reconstruct
from recon.pipeline.second_look import Checked, OtherServe, person_flags, with_second_look
from recon.result import Result, load_result
from recon.session import Session, load_session

_PROVENANCE = "courtplumb provenance"
_LONGEST_CLIP_S = 20.0


def measure_session(
    folder: Path, options: PipelineOptions | None = None, progress: Progress = silent
) -> Result:
    """Measure a session folder and keep everything in its `derived` folder.

    What is up to date is not made again; a run that was interrupted goes on where it stopped. Never touches the
    network. Raises BadInput where the input is at fault, NotMeasurable where it cannot be told from it.
    """
    options = options or PipelineOptions()
    session = replace(load_session(folder), rig_version=options.rig_version)
    rig = rig_of(session)
    made = _making(session, options)
    if not _up_to_date(session, made):
        check_racket_file(session, rig.cameras)
        d = session.derived
        (d / names.PROVENANCE).unlink(missing_ok=True)  # written last: it vouches for the others
        for camera in rig.names:
            _picture_index(session, camera).unlink(missing_ok=True)
        with ThreadPoolExecutor(1) as pool:
            questions = _Questions(session, rig, pool)
            session, rig, checked = _tracks(session, rig, options, progress, questions)
            checked = with_racket_points(session, rig.cameras, checked)
            store.save_tracks(d / names.TRACKS, checked.tracks)
            notes = reconstruct(session, rig, checked, questions.fit(), options, progress)
            progress("looking at cameras", 0, 1)
            notes["quality"] = [*questions.moved().result(), *notes["quality"]]
            progress("looking at cameras", 1, 1)
        _vouch(session, made, notes)
    result = load_result(folder)
    filmed = [c.camera for c in result.tracks.cameras if c.camera in session.file.video]
    if options.pictures and any(not _picture_index(session, name).is_file() for name in filmed):
        make_pictures(result, progress)
        return load_result(folder)
    return result


def measure_kept_tracks(
    folder: Path, options: PipelineOptions | None = None, progress: Progress = silent
) -> Result:
    """Measure a session anew from the tracks that an earlier run kept; no video is read.

    For judging a method that changed after the pixels: what is found in the pictures stays as it was, which the
    record says. Raises BadInput where no run has kept tracks, and as `measure_session` does.
    """
    options = options or PipelineOptions()
    session = replace(load_session(folder), rig_version=options.rig_version)
    rig = rig_of(session)
    path = session.derived / names.TRACKS
    if not path.is_file():
        raise BadInput(f"{folder}: want tracks of an earlier run; run `courtplumb measure {folder}` first")
    made = _making(session, options)
    (session.derived / names.PROVENANCE).unlink(missing_ok=True)
    tracks = store.load_tracks(path)

    def kept(session: Session, rig: CalibratedRig) -> Checked:
        own = replace(tracks, cameras=tuple(tracks.of(name) for name in rig.names))
        return person_flags(session, rig.cameras, own)

    session, rig, checked = _of_those_who_saw(session, rig.subset([c.camera for c in tracks.cameras]), kept)
    notes = reconstruct(session, rig, checked, (), options, progress)
    _vouch(session, made, notes | {"tracks": "kept from an earlier run"})
    return load_result(folder)


def _vouch(session: Session, made: dict[str, object], notes: dict[str, Any]) -> None:
    """Writes the record that vouches for all others."""
    kept = {"kind": _PROVENANCE, "format": store.FORMAT, "notes": notes, "calibration": _named(session)}
    store.write_json(session.derived / names.PROVENANCE, made | kept)


class _Questions:
    """What is asked of the footage as a whole, each question once, while its cameras are read or fitted."""

    def __init__(self, session: Session, rig: CalibratedRig, pool: ThreadPoolExecutor) -> None:
        self._session, self._rig, self._pool = session, rig, pool
        self._fit: tuple[FootageFinding, ...] | None = None
        self._moved: Future[list[str]] | None = None

    def fit(self) -> tuple[FootageFinding, ...]:
        """Whether the footage fits the calibration. Raises BadInput where it does not."""
        if self._fit is None:
            self._fit = want_fitting(self._session, self._rig)
        return self._fit

    def moved(self) -> Future[list[str]]:
        """Which cameras have moved, told beside the work of this thread."""
        if self._moved is None:
            self._moved = self._pool.submit(moved_camera_flags, self._session, self._rig.names)
        return self._moved


def _picture_index(session: Session, camera: str) -> Path:
    return session.derived / names.PICTURES / camera / "index.json"


def _named(session: Session) -> dict[str, str | None]:
    """Which calibration this is, for a person to find it again; `inputs` holds what the result depends on."""
    kept = calibration_of(session.rig_path)
    return {} if kept is None else {"sha256": kept.sha256, "date_utc": kept.date_utc, "cause": kept.cause}


def rig_of(session: Session) -> CalibratedRig:
    """The rig of a session, with the cameras that it uses. Raises BadInput where they do not fit each other."""
    rig = load_any_rig(session.rig_path)
    if rig.frame != "court":
        raise BadInput(
            f"{session.rig_path}: want a rig in the court frame; run `courtplumb court` on its folder"
        )
    wanted = session.camera_names or rig.names
    unknown = [name for name in wanted if name not in rig.names]
    if unknown:
        raise BadInput(
            f"{session.folder / 'session.toml'}: camera {unknown[0]!r} is not in the rig, "
            f"which has {', '.join(rig.names)}"
        )
    if len(wanted) < 2:
        raise BadInput(
            f"{session.folder / 'session.toml'}: want two or more cameras, got {list(wanted)}: one view tells "
            "no depth; `courtplumb check-footage` and `check-rig` still look at it, and the serve can be "
            "measured once a second camera of the rig has filmed it too"
        )
    return rig.subset(wanted)


def _making(session: Session, options: PipelineOptions) -> dict[str, object]:
    """What the results depend on: a result is up to date while none of it has changed."""
    inputs = {
        "session": session.file.measured_by(),
        "rig": content_hash(session.rig_path),
    }
    if session.file.keypoints is not None:
        path = session.folder / session.file.keypoints
        if not path.is_file():
            raise BadInput(f"{session.folder / 'session.toml'}: keypoints: no file {path}")
        inputs["keypoints"] = content_hash(path)
    else:
        inputs |= {f"video {name}": content_hash(session.video_path(name)) for name in session.camera_names}
    inputs |= racket_inputs(session)
    for name, path in sound_paths(session).items():
        if not path.is_file():
            raise BadInput(f"{session.folder / 'session.toml'}: [sound]: no file {path}")
        inputs[f"sound {name}"] = content_hash(path)
    return {
        "program_version": program_version(),
        "method": METHOD,
        "options": {
            "mode": options.mode,
            "pose model": options.variant,
            "joint centres": options.joint_centres,
        },
        "inputs": inputs,
    }


def _up_to_date(session: Session, made: dict[str, object]) -> bool:
    records = (
        names.TRACKS,
        names.CLOCKS,
        names.POINTS,
        names.MOTION,
        names.FLIGHT,
        names.EVENTS,
        names.MEASURES,
        names.RACKET,
    )
    if not all((session.derived / name).is_file() for name in (*records, names.PROVENANCE)):
        return False
    try:
        kept = store.read_json(session.derived / names.PROVENANCE, _PROVENANCE)
    except BadInput:  # of an older program, or damaged: made again
        return False
    return all(kept.get(key) == value for key, value in made.items())


def _tracks(
    session: Session, rig: CalibratedRig, options: PipelineOptions, progress: Progress, questions: _Questions
) -> tuple[Session, CalibratedRig, Checked]:
    """The pixels of all cameras that saw the player, with session and rig of these cameras alone."""

    def found(session: Session, rig: CalibratedRig) -> Checked:
        return _found_tracks(session, rig, options, progress, questions)

    session, rig, checked = _of_those_who_saw(session, rig, found)
    questions.moved()
    for seen in checked.tracks.cameras:
        where = f"{session.folder}: camera {seen.camera}"
        _want_one_serve(where, float(np.ptp(seen.t_cam_s)), own=session.file.keypoints is not None)
    return session, rig, checked


def _of_those_who_saw(
    session: Session, rig: CalibratedRig, found: Callable[[Session, CalibratedRig], Checked]
) -> tuple[Session, CalibratedRig, Checked]:
    """What is found without the cameras that show nobody or another serve, as far as two are left; it is said.

    Raises what the first of these raised where fewer are left.
    """
    useless: list[NobodySeen | OtherServe] = []
    while True:
        try:
            checked = found(session, rig)
            break
        except (NobodySeen, OtherServe) as error:
            useless.append(error)
            if len(rig.names) < 3:
                raise useless[0] from None
            rig = rig.subset([name for name in rig.names if name != error.camera])
            session = replace(session, file=session.file.model_copy(update={"cameras": rig.names}))
    said = tuple(f"{error}; measured without this camera" for error in useless)
    return session, rig, replace(checked, trouble=(*checked.trouble, *said))


def _want_one_serve(where: str, length_s: float, *, own: bool) -> None:
    """The search for clock offsets compares every moment of one clip with every moment of another."""
    if length_s <= _LONGEST_CLIP_S:
        return
    way = "`courtplumb serves` cuts the session into its serves"
    if not own:
        way += (
            "; where that is slow motion, say under [video_rate] in session.toml at what rate it was recorded"
        )
    raise BadInput(
        f"{where}: want one serve of at most {_LONGEST_CLIP_S:.0f} s per session, got {length_s:.0f} s; {way}"
    )


def _found_tracks(
    session: Session, rig: CalibratedRig, options: PipelineOptions, progress: Progress, questions: _Questions
) -> Checked:
    if session.file.keypoints is not None:
        unused = [name for name in load_any_rig(session.rig_path).names if name not in rig.names]
        own = read_own_keypoints(session.folder / session.file.keypoints, rig.cameras, unused)
        return person_flags(session, rig.cameras, own)
    for name in rig.names:
        video = timed(session, name).video
        _want_one_serve(str(video.path), probe(video).duration_s or 0.0, own=False)
    beside = Beside(questions.fit, questions.moved)
    found = detect_tracks(session, rig.cameras, options, progress, beside)
    tracks = found.tracks()
    for camera in rig.cameras:
        got = tracks.of(camera.name).size_px
        if got != camera.size_px:
            raise BadInput(
                f"{session.video_path(camera.name)}: want {camera.size_px[0]}x{camera.size_px[1]} pixels as "
                f"calibrated, got {got[0]}x{got[1]}; film with the calibrated video mode"
            )
    return with_second_look(session, rig.cameras, found, options, progress)
