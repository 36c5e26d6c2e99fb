"""File forms of the calibration's records: versioned JSON, written whole or not at all."""

from __future__ import annotations

import contextlib
import json
import os
import tempfile
from math import isfinite
from pathlib import Path
from typing import Any, Final, Literal, TypeVar

import numpy as np
from pydantic import BaseModel, ConfigDict, ValidationError

from calibration.calibrated_rig import CalibratedRig, CourtCheck
from calibration.errors import BadInput
from calibration.geometry.camera import PARAMETERS, Camera
from calibration.geometry.rigid import Rigid
from calibration.lens import LENS_PARAMETERS, LensCalibration
from calibration.provenance import Provenance
from calibration.views import BoardView

LENS_FORMAT: Final = "courtplumb-lens-2"
RIG_FORMAT: Final = "courtplumb-rig-2"

Matrix = list[list[float]]


class StrictModel(BaseModel):
    """Unknown keys are errors: a misspelt key must not be ignored. Infinity and NaN are not numbers here.

    Both hold for the plain dataclasses among a form's fields too, when written as when read.
    """

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, revalidate_instances="always")


def first_fault(error: ValidationError) -> str:
    """The first thing wrong, in one line: key, what was wanted, what was given."""
    fault = error.errors(include_url=False)[0]
    key = ".".join(str(p + 1) if isinstance(p, int) else str(p) for p in fault["loc"])
    wanted = fault["msg"].removeprefix("Value error, ")
    wanted = {
        "Field required": "want it given, got nothing",
        "Extra inputs are not permitted": "unknown key",
        "Unexpected keyword argument": "unknown key",
    }.get(wanted, wanted[:1].lower() + wanted[1:])
    given = fault.get("input")
    shown = "" if isinstance(given, dict | list) or "got" in wanted else f", got {given!r}"
    return f"{key}: {wanted}{shown}"


def write_atomically(path: Path | str, content: str | bytes) -> None:
    """Writes the whole file or leaves what was there: a temporary file beside it, then one rename."""
    data = content.encode("utf-8") if isinstance(content, str) else content
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, part = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(data)
        # mkstemp makes files that only their owner can read; take the rights that a plain file would have got
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(part, 0o666 & ~mask)
        os.replace(part, path)
    except BaseException:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(part)
        raise


def read_json(path: Path | str) -> dict[str, Any]:
    """A JSON object from a file. Raises BadInput where it is missing or is no JSON object."""
    path = Path(path)
    if not path.exists():
        raise BadInput(f"{path}: no such file")
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (json.JSONDecodeError, UnicodeDecodeError) as error:
        raise BadInput(f"{path}: not a JSON file ({error})") from error
    if not isinstance(data, dict):
        raise BadInput(f"{path}: want a JSON object, got {type(data).__name__}")
    return data


class ProvenanceForm(StrictModel):
    program_version: str
    options: dict[str, str | float] = {}
    inputs: dict[str, str] = {}

    @classmethod
    def of(cls, record: Provenance) -> ProvenanceForm:
        return cls(
            program_version=record.program_version, options=dict(record.options), inputs=dict(record.inputs)
        )

    def record(self) -> Provenance:
        return Provenance(self.program_version, self.options, self.inputs)


class ViewForm(StrictModel):
    index: int
    t_s: float
    name: str
    rise_px: float | None
    ids: list[int]
    corners_px: Matrix


class LensForm(StrictModel):
    format: Literal["courtplumb-lens-2"]
    camera: str
    size_px: tuple[int, int]
    model: str
    K_px: Matrix
    distortion: list[float]
    covariance_order: tuple[str, ...] = LENS_PARAMETERS
    covariance: Matrix
    rms_px: float
    view_rms_px: list[float]
    held_out_px: dict[str, float]
    bow_m: list[float]
    bow_u_m: list[float]
    views_found: int
    coverage: float
    flags: list[str]
    provenance: ProvenanceForm | None = None
    views: list[ViewForm]


class CameraForm(StrictModel):
    name: str
    size_px: tuple[int, int]
    model: str
    K_px: Matrix
    distortion: list[float]
    cam_from_world_rotation: Matrix
    cam_from_world_t_m: list[float]


class RigForm(StrictModel):
    format: Literal["courtplumb-rig-2"]
    name: str
    frame: str
    cameras: list[CameraForm]
    covariance_order: tuple[str, ...] = PARAMETERS
    covariance: Matrix
    camera_rms_px: list[float]
    held_out_px: float | None
    held_out_length_m: float | None
    board_views: int
    flags: list[str]
    court: CourtCheck | None  # plain values throughout, so the record is its own form
    provenance: ProvenanceForm


def _dumped(form: StrictModel) -> str:
    return json.dumps(form.model_dump(mode="json"), indent=1) + "\n"


def save_lens(path: Path | str, lens: LensCalibration) -> None:
    """Writes a lens calibration; load_lens gives the same back, bit for bit."""
    form = LensForm(
        format=LENS_FORMAT, camera=lens.camera, size_px=lens.size_px, model=lens.model, K_px=lens.K_px.tolist(),
        distortion=lens.distortion.tolist(), covariance=lens.covariance.tolist(), rms_px=lens.rms_px,
        view_rms_px=lens.view_rms_px.tolist(), held_out_px=dict(lens.held_out_px), bow_m=lens.bow_m.tolist(),
        bow_u_m=lens.bow_u_m.tolist(), views=[_view_form(v) for v in lens.views],
        views_found=lens.views_found, coverage=lens.coverage,
        flags=list(lens.flags),
        provenance=None if lens.provenance is None else ProvenanceForm.of(lens.provenance),
    )  # fmt: skip
    write_atomically(path, _dumped(form))


def _view_form(view: BoardView) -> ViewForm:
    return ViewForm(
        index=view.index, t_s=view.t_s, name=view.name,
        rise_px=view.rise_px if isfinite(view.rise_px) else None,
        ids=view.ids.tolist(), corners_px=view.corners_px.tolist(),
    )  # fmt: skip


def _view(form: ViewForm) -> BoardView:
    rise = float("nan") if form.rise_px is None else form.rise_px
    return BoardView(form.index, form.t_s, np.array(form.corners_px), form.name, rise, np.array(form.ids))


def load_lens(path: Path | str) -> LensCalibration:
    """Reads what save_lens wrote. Raises BadInput where the file is missing, damaged or of another format."""
    form = _parsed(path, LensForm, LENS_FORMAT)
    if form.covariance_order != LENS_PARAMETERS:
        raise BadInput(f"{path}: covariance_order: want {', '.join(LENS_PARAMETERS)}")
    return LensCalibration(
        form.camera, form.size_px, np.array(form.K_px), np.array(form.distortion), np.array(form.covariance),
        form.rms_px, np.array(form.view_rms_px), form.views_found, form.coverage, tuple(form.flags),
        None if form.provenance is None else form.provenance.record(), form.model, form.held_out_px,
        np.array(form.bow_m), np.array(form.bow_u_m), tuple(_view(v) for v in form.views),
    )  # fmt: skip


def save_rig(path: Path | str, rig: CalibratedRig) -> None:
    """Writes a calibrated rig; load_rig gives the same back, bit for bit."""
    cameras = [
        CameraForm(
            name=c.name, size_px=c.size_px, model=c.model, K_px=c.K_px.tolist(),
            distortion=c.distortion.tolist(),
            cam_from_world_rotation=c.cam_from_world.R.tolist(),
            cam_from_world_t_m=c.cam_from_world.t_m.tolist(),
        )
        for c in rig.cameras
    ]  # fmt: skip
    form = RigForm(
        format=RIG_FORMAT, name=rig.name, frame=rig.frame, cameras=cameras, covariance=rig.covariance.tolist(),
        camera_rms_px=list(rig.camera_rms_px), held_out_px=rig.held_out_px,
        held_out_length_m=rig.held_out_length_m, board_views=rig.board_views,
        flags=list(rig.flags), court=rig.court, provenance=ProvenanceForm.of(rig.provenance),
    )  # fmt: skip
    write_atomically(path, _dumped(form))


def load_rig(path: Path | str) -> CalibratedRig:
    """Reads what save_rig wrote. Raises BadInput where the file is missing, damaged or of another format."""
    form = _parsed(path, RigForm, RIG_FORMAT)
    if form.covariance_order != PARAMETERS:
        raise BadInput(f"{path}: covariance_order: want {', '.join(PARAMETERS)}")
    cameras = tuple(
        Camera(
            c.name, c.size_px, np.array(c.K_px), np.array(c.distortion),
            _pose(c, form.frame), c.model,
        )
        for c in form.cameras
    )  # fmt: skip
    return CalibratedRig(
        form.name, form.frame, cameras, np.array(form.covariance), form.provenance.record(),
        tuple(form.camera_rms_px), form.held_out_px, form.board_views, tuple(form.flags),
        form.court, form.held_out_length_m,
    )  # fmt: skip


def _pose(form: CameraForm, frame: str) -> Rigid:
    R, t_m = np.array(form.cam_from_world_rotation), np.array(form.cam_from_world_t_m)
    return Rigid(R, t_m, f"cam_{form.name}", frame)


_F = TypeVar("_F", bound=StrictModel)


def _parsed(path: Path | str, form: type[_F], name: str) -> _F:
    data = read_json(path)
    if data.get("format") != name:
        raise BadInput(f"{path}: format: want {name!r}, got {data.get('format')!r}")
    try:
        return form.model_validate(data)
    except ValidationError as error:
        raise BadInput(f"{path}: {first_fault(error)}") from error
