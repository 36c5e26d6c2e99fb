"""The three calibration commands as functions: read a rig folder, skip what is up to date, write derived files.

Nothing here prints. Each step may be broken off at any time: files appear whole or not at all, and a rerun goes
on from those that are there.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import replace
from pathlib import Path
from typing import Literal, TypeVar

import cv2

from calibration.board import Board
from calibration.calibrated_rig import CalibratedRig
from calibration.court.line_picture import line_picture
from calibration.court.line_registration import place_in_court
from calibration.court.lines import FoundLines
from calibration.court.registration import CourtOptions
from calibration.court_rig import place_by_court
from calibration.errors import BadInput, CourtplumbError
from calibration.files import load_lens, load_rig, save_lens, save_rig, write_atomically
from calibration.folder import CameraEntry, RigFolder, read_clicks, read_rig_folder
from calibration.footage import Image, picture, probe
from calibration.history import keep_calibration, without_mending
from calibration.kept_lens import lens_for_size
from calibration.lens import LEAST_VIEWS, LensCalibration, calibrate_lens
from calibration.pictures import draw_position_u, draw_residuals
from calibration.provenance import Provenance, content_hash, program_version
from calibration.rig import calibrate_rig
from calibration.shared import BoardFootage, Placement, SharedView, match_set, read_board_footage
from calibration.views import Progress, scan_boards, silent, want_board

LENS_RATE_HZ = 6.0  # frames per second of lens footage that are searched
_WORKERS = max(1, min(4, os.cpu_count() or 1))

T = TypeVar("T")


class _Stopped(Exception):
    """Raised inside workers once another one failed or the user broke off."""


def run_lens(
    rig_folder: Path | str, camera: str | None = None, progress: Progress = silent
) -> tuple[LensCalibration, ...]:
    """Calibrates the lens of one camera, or of all in rig.toml's order, into derived/lens/<camera>.json.

    A kept lens that rig.toml names is read. A lens whose footage, board and program version have not changed
    is read back instead.
    Raises BadInput or NotMeasurable with the first camera's fault.
    """
    folder = read_rig_folder(rig_folder)
    entries = folder.cameras if camera is None else (folder.camera(camera),)
    return tuple(_at_once([_lens_task(folder, entry) for entry in entries], progress))


def _lens_task(folder: RigFolder, entry: CameraEntry) -> Callable[[Progress], LensCalibration]:
    def task(progress: Progress) -> LensCalibration:
        path = folder.lens_path(entry.name)
        if entry.lens_footage is None:
            return replace(load_lens(path), camera=entry.name)
        made = Provenance(
            program_version(),
            _board_options(folder.board),
            {_relative(folder, entry.lens_footage): content_hash(entry.lens_footage)},
        )
        kept = _if_current(path, made, load_lens)
        if kept is not None:
            return kept
        scan = scan_boards(
            entry.lens_footage, folder.board, rate_hz=LENS_RATE_HZ, refine=True, label=f"lens {entry.name}",
            progress=progress,
        )  # fmt: skip
        want_board(scan, LEAST_VIEWS, folder.board)
        lens = calibrate_lens(entry.name, scan.views, folder.board, scan.size_px, str(entry.lens_footage))
        lens = replace(lens, provenance=made)
        save_lens(path, lens)
        return lens

    return task


def run_rig(rig_folder: Path | str, progress: Progress = silent) -> CalibratedRig:
    """Places all cameras in one frame from the shared footage, into derived/rig.json; lenses first if missing.

    Raises BadInput or NotMeasurable naming the footage or the cameras at fault.
    """
    folder = read_rig_folder(rig_folder)
    if len(folder.cameras) < 2:
        raise BadInput(f"{folder.root / 'rig.toml'}: want two or more cameras to place a rig, got 1")
    if not folder.shared:
        raise BadInput(
            f"{folder.root / 'rig.toml'}: want [[shared]] board footage seen by two or more cameras, got none; "
            "`courtplumb court` places the cameras without it, by court points alone"
        )
    lenses = run_lens(rig_folder, progress=progress)
    parts = [(s, name, path) for s, shared in enumerate(folder.shared) for name, path in shared.items()]
    hashes = {_relative(folder, path): content_hash(path) for _, _, path in parts}
    hashes |= {f"lens/{lens.camera}": content_hash(folder.lens_path(lens.camera)) for lens in lenses}
    made = Provenance(program_version(), _board_options(folder.board), hashes)
    kept = _if_current(folder.rig_path, made, load_rig)
    if kept is not None:
        return kept
    read = _at_once([_footage_task(folder.board, name, path) for _, name, path in parts], progress)
    cameras = {lens.camera: lens.as_camera() for lens in lenses}
    views: list[SharedView] = []
    placements: list[Placement] = []
    flags: list[str] = []
    n_clocks = 0
    for s in range(len(folder.shared)):
        footage = {name: part for (own, name, _), part in zip(parts, read, strict=True) if own == s}
        matched = match_set(footage, cameras, folder.board, n_clocks)
        views += matched.views
        placements += matched.placements
        flags += matched.flags
        n_clocks += matched.n_clocks
    progress("rig", 0, 1)
    fit = calibrate_rig(folder.name, lenses, views, placements, folder.board, made)
    rig = replace(fit.rig, flags=(*flags, *fit.rig.flags))
    draw_residuals(folder.residuals_path, fit.residuals)
    save_rig(folder.rig_path, rig)
    progress("rig", 1, 1)
    return rig


def _footage_task(board: Board, name: str, path: Path) -> Callable[[Progress], BoardFootage]:
    def task(progress: Progress) -> BoardFootage:
        return read_board_footage(path, board, label=f"shared {path.stem} ({name})", progress=progress)

    return task


def run_court(
    rig_folder: Path | str,
    clicks_path: Path | str | None = None,
    progress: Progress = silent,
    options: CourtOptions | None = None,
    date_utc: str | None = None,
    lines: bool | Literal["auto"] = "auto",
) -> CalibratedRig:
    """Places the rig in the court, into derived/calibrated_rig.json (rig first, where missing).

    Without [[shared]] footage in rig.toml the cameras are placed one by one, from their lenses and the clicks.
    clicks_path: court_clicks.csv next to rig.toml if not given. lines: True places by the painted lines in the
    cameras' court pictures (clicks, where there are any, say roughly where to look); False by clicks alone;
    "auto" by lines where the pictures bear them out, else by the clicks, with a flag that says why. A drawing
    of the lines found goes to derived/court_lines_<camera>.png. What is current afterwards is also kept in
    derived/history with the court pictures, dated date_utc (ISO 8601); so is what it replaces. A rig of which a
    camera was mended since stays as it is while clicks and footage do.
    Raises BadInput naming the clicks at fault, NotMeasurable where neither lines nor clicks place the court.
    """
    folder = read_rig_folder(rig_folder)
    pictures = _court_picture_paths(folder, lines)
    path = folder.clicks_path if clicks_path is None else Path(clicks_path)
    lines_alone = bool(pictures) and clicks_path is None and not path.exists()
    clicks = [] if lines_alone else read_clicks(path)
    for click in clicks:
        if click.camera not in folder.camera_names:
            names = ", ".join(folder.camera_names)
            raise BadInput(f"{path}: {click.camera!r} is not a camera of this rig; it has {names}")
    options = options or CourtOptions()
    said: dict[str, str | float] = {
        "click_u_px": options.click_u_px, "paint_u_m": options.paint_u_m, "line_share": options.line_share,
        "lines": str(lines).lower(),
    }  # fmt: skip
    if folder.shared:
        rig = run_rig(rig_folder, progress)
        said |= rig.provenance.options
        inputs = {"rig": content_hash(folder.rig_path)}
    else:
        lenses, inputs = _todays_lenses(folder, progress)
    inputs |= {} if lines_alone else {"clicks": content_hash(path)}
    inputs |= {f"court_picture/{name}": content_hash(file) for name, file in pictures.items()}
    made = Provenance(program_version(), said, inputs)
    kept = _current_placed(folder.calibrated_rig_path, made)
    if kept is None:
        progress("court", 0, 1)
        if folder.shared:
            images = {name: picture(file) for name, file in pictures.items()}
            placed, found = place_in_court(rig, images, clicks, options, must_use_lines=lines is True)
            _draw_lines(folder, placed, images, found)
        else:
            placed = place_by_court(folder.name, lenses, clicks, made, options)
        kept = replace(placed, provenance=made)
        if len(kept.cameras) > 1:
            draw_position_u(folder.position_u_path, kept)
        _keep(folder, date_utc, "found in use; how it was made was not recorded")
        save_rig(folder.calibrated_rig_path, kept)
        progress("court", 1, 1)
    _keep(folder, date_utc, "board and court" if folder.shared else "court points")
    return kept


def _draw_lines(
    folder: RigFolder, placed: CalibratedRig, images: Mapping[str, Image], found: FoundLines | None
) -> None:
    """A picture per camera of the lines found; those of an earlier fit go."""
    for name in folder.camera_names:
        folder.line_picture_path(name).unlink(missing_ok=True)
    if found is not None:
        for name, image in images.items():
            drawn = line_picture(placed.camera(name), image, found, placed.names.index(name))
            write_atomically(folder.line_picture_path(name), cv2.imencode(".png", drawn)[1].tobytes())


def _current_placed(path: Path, made: Provenance) -> CalibratedRig | None:
    """The rig on disk if it was made exactly so, whether or not a camera of it was mended afterwards."""
    if not path.exists():
        return None
    try:
        record = load_rig(path)
    except BadInput:
        return None
    return record if made.same_making(without_mending(record.provenance)) else None


def _keep(folder: RigFolder, date_utc: str | None, cause: str) -> None:
    """The current calibration into the history, unless it is there or cannot be read."""
    try:
        load_rig(folder.calibrated_rig_path)
    except BadInput:
        return
    given = {c.name: c.court_picture for c in folder.cameras}
    pictures = {name: path for name, path in given.items() if path is not None and path.is_file()}
    keep_calibration(folder.calibrated_rig_path, date_utc, cause, pictures)


def _todays_lenses(folder: RigFolder, progress: Progress) -> tuple[tuple[LensCalibration, ...], dict[str, str]]:
    """Each camera's lens, scaled to today's court picture, and the hashes of lenses and pictures."""
    if len(folder.cameras) < 2:
        raise BadInput(f"{folder.root / 'rig.toml'}: want two or more cameras to place a rig, got 1")
    lenses, inputs = [], {}
    for entry, lens in zip(folder.cameras, run_lens(folder.root, progress=progress), strict=True):
        inputs[f"lens/{entry.name}"] = content_hash(folder.lens_path(entry.name))
        size_px = lens.size_px
        if entry.court_picture is not None:
            inputs[f"picture/{entry.name}"] = content_hash(entry.court_picture)
            size_px = probe(entry.court_picture).size_px
        lenses.append(lens_for_size(lens, size_px))
    return tuple(lenses), inputs


def _court_picture_paths(folder: RigFolder, lines: bool | Literal["auto"]) -> dict[str, Path]:
    """Camera → court picture, of the pictures that lines are to be looked for in."""
    if lines is False:
        return {}
    named = {c.name: c.court_picture for c in folder.cameras if c.court_picture is not None}
    if lines is True and not named:
        raise BadInput(f"{folder.root / 'rig.toml'}: camera: want a court_picture for at least one camera")
    return {name: path for name, path in named.items() if lines is True or path.exists()}


_R = TypeVar("_R", LensCalibration, CalibratedRig)


def _if_current(path: Path, made: Provenance, load: Callable[[Path], _R]) -> _R | None:
    """The record on disk if it was made exactly so; a damaged or older file counts as absent."""
    if not path.exists():
        return None
    try:
        record = load(path)
    except BadInput:
        return None
    return record if made.same_making(record.provenance) else None


def _board_options(board: Board) -> dict[str, str | float]:
    markers: dict[str, str | float] = {}
    if board.marker_m is not None and board.dictionary is not None:
        markers = {"marker_m": board.marker_m, "dictionary": board.dictionary}
    return {
        "kind": board.kind, "columns": float(board.columns), "rows": float(board.rows),
        "square_m": board.square_m, "square_u_m": board.square_u_m, "flat_u_m": board.flat_u_m, **markers,
    }  # fmt: skip


def _relative(folder: RigFolder, path: Path) -> str:
    """A name for an input that does not carry this machine's paths."""
    return path.relative_to(folder.root).as_posix() if path.is_relative_to(folder.root) else path.name


def _at_once(tasks: Sequence[Callable[[Progress], T]], progress: Progress) -> list[T]:
    """Runs tasks in threads (decoding and corner finding leave the interpreter free); results in order.

    A fault in one input lets the others finish (what they save need not be made again) and the first fault in
    the tasks' order is raised; when the user breaks off, all stop at their next report of progress.
    """
    stopped, lock = threading.Event(), threading.Lock()

    def report(label: str, done: int, total: int) -> None:
        if stopped.is_set():
            raise _Stopped
        with lock:
            progress(label, done, total)

    with ThreadPoolExecutor(_WORKERS) as pool:
        futures = [pool.submit(task, report) for task in tasks]
        try:
            for future in as_completed(futures):
                fault = future.exception()
                if fault is not None and not isinstance(fault, CourtplumbError):
                    raise fault
        except BaseException:
            stopped.set()
            for future in futures:
                future.cancel()
            raise
    return [future.result() for future in futures]
