"""Keeping records: netCDF for arrays, JSON for the rest. A file is there whole or not at all."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from calibration.checks import Array
from calibration.errors import BadInput
from recon.records import (
    BallFlight,
    CameraTracks,
    Clock,
    Clocks,
    Event,
    Events,
    Measure,
    MeasureSet,
    Motion,
    NoiseShape,
    Points3D,
    RacketPose,
    Tracks2D,
)

FORMAT = 2
"""Version of all record files; a file of another version is refused."""

_SPACE = ["x", "y", "z"]


def write_whole(path: Path, write: Callable[[Path], object]) -> None:
    """Let `write` fill a temporary file beside `path`, then put it in place in one step."""
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name}.part")
    try:
        write(temporary)
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)


def write_json(path: Path, value: object) -> None:
    """A JSON file, written whole or not at all."""
    text = json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False)
    write_whole(path, lambda part: part.write_text(text + "\n", encoding="utf-8"))


def read_json(path: Path, kind: str) -> Any:
    """The content of a JSON record. Raises BadInput for a missing, broken or foreign file."""
    if not path.is_file():
        raise BadInput(f"{path}: want {kind}, found no such file; run `courtplumb measure` first")
    try:
        value = json.loads(path.read_text(encoding="utf-8"))
    except json.JSONDecodeError as error:
        raise BadInput(f"{path}: want {kind} as JSON: {error}") from error
    if not isinstance(value, dict) or value.get("kind") != kind or value.get("format") != FORMAT:
        raise BadInput(f"{path}: want {kind}, format {FORMAT}; got another kind of file or version")
    return value


def _write_dataset(path: Path, kind: str, groups: dict[str, xr.Dataset]) -> None:
    def write(part: Path) -> None:
        xr.Dataset(attrs={"kind": kind, "format": FORMAT}).to_netcdf(part, engine="h5netcdf")
        for group, dataset in groups.items():
            dataset.to_netcdf(part, engine="h5netcdf", mode="a", group=group)

    write_whole(path, write)


def _open(path: Path, kind: str, group: str | None = None) -> xr.Dataset:
    if not path.is_file():
        raise BadInput(f"{path}: want {kind}, found no such file; run `courtplumb measure` first")
    try:
        with xr.open_dataset(path, engine="h5netcdf") as root:
            attributes = dict(root.attrs)
        if attributes.get("kind") != kind or int(attributes.get("format", -1)) != FORMAT:
            raise BadInput(f"{path}: want {kind}, format {FORMAT}; got another kind of file or version")
        with xr.open_dataset(path, engine="h5netcdf", group=group) as dataset:
            return dataset.load()
    except OSError as error:
        raise BadInput(f"{path}: want {kind} as netCDF: {error}") from error


def _names(dataset: xr.Dataset, coordinate: str) -> tuple[str, ...]:
    return tuple(str(name) for name in dataset[coordinate].values)


def save_tracks(path: Path, tracks: Tracks2D) -> None:
    """Write Tracks2D: one netCDF group per camera."""
    about = {
        "cameras": json.dumps([c.camera for c in tracks.cameras]),
        "source": tracks.source,
        "noise": json.dumps([asdict(shape) for shape in tracks.noise]),
    }
    groups = {"about": xr.Dataset(attrs=about)}
    for c in tracks.cameras:
        groups[f"camera_{c.camera}"] = xr.Dataset(
            {
                "uv_px": (("time", "keypoint", "image_axis"), c.uv_px, {"units": "px"}),
                "sigma_px": (("time", "keypoint"), c.sigma_px, {"units": "px"}),
            },
            coords={
                "time": ("time", c.t_cam_s, {"units": "s"}),
                "keypoint": list(tracks.keypoints),
                "image_axis": ["u", "v"],
            },
            attrs={"width_px": c.size_px[0], "height_px": c.size_px[1]},
        )
    _write_dataset(path, "courtplumb 2D tracks", groups)


def load_tracks(path: Path) -> Tracks2D:
    """Read Tracks2D. Raises BadInput for a missing or foreign file."""
    kind = "courtplumb 2D tracks"
    about = _open(path, kind, "about").attrs
    cameras: list[CameraTracks] = []
    keypoints: tuple[str, ...] = ()
    for name in json.loads(about["cameras"]):
        d = _open(path, kind, f"camera_{name}")
        keypoints = _names(d, "keypoint")
        size = (int(d.attrs["width_px"]), int(d.attrs["height_px"]))
        cameras.append(CameraTracks(name, size, d["time"].values, d["uv_px"].values, d["sigma_px"].values))
    noise = tuple(NoiseShape(**shape) for shape in json.loads(about["noise"]))
    return Tracks2D(keypoints, tuple(cameras), str(about["source"]), noise)


def _point_dataset(record: Points3D | Motion) -> xr.Dataset:
    dims = ("time", "keypoint")
    return xr.Dataset(
        {
            "xyz_m": ((*dims, "space"), record.xyz_m, {"units": "m"}),
            "cov_m2": ((*dims, "space", "space_2"), record.cov_m2, {"units": "m2"}),
            "status": (dims, record.status),
        },
        coords={
            "time": ("time", record.t_s, {"units": "s"}),
            "keypoint": list(record.keypoints),
            "space": _SPACE,
            "space_2": _SPACE,
        },
        attrs={"frame": record.frame},
    )


def save_points(path: Path, points: Points3D) -> None:
    """Write Points3D as netCDF."""
    dataset = _point_dataset(points)
    dataset["views"] = (("time", "keypoint", "camera"), points.views.astype(np.int8))
    _write_dataset(path, "courtplumb points", {"points": dataset.assign_coords(camera=list(points.cameras))})


def load_points(path: Path) -> Points3D:
    """Read Points3D. Raises BadInput for a missing or foreign file."""
    d = _open(path, "courtplumb points", "points")
    return Points3D(
        str(d.attrs["frame"]), _names(d, "keypoint"), _names(d, "camera"), d["time"].values,
        d["xyz_m"].values, d["cov_m2"].values, d["status"].values, d["views"].values.astype(bool),
    )  # fmt: skip


def save_motion(path: Path, motion: Motion) -> None:
    """Write Motion as netCDF."""
    dataset = _point_dataset(motion)
    dataset["velocity_m_s"] = (("time", "keypoint", "space"), motion.velocity_m_s, {"units": "m/s"})
    dims = ("time", "keypoint", "space", "space_2")
    dataset["velocity_cov_m2_s2"] = (dims, motion.velocity_cov_m2_s2, {"units": "m2/s2"})
    _write_dataset(path, "courtplumb motion", {"motion": dataset})


def load_motion(path: Path) -> Motion:
    """Read Motion. Raises BadInput for a missing or foreign file."""
    d = _open(path, "courtplumb motion", "motion")
    return Motion(
        str(d.attrs["frame"]), _names(d, "keypoint"), d["time"].values, d["xyz_m"].values,
        d["velocity_m_s"].values, d["cov_m2"].values, d["status"].values, d["velocity_cov_m2_s2"].values,
    )  # fmt: skip


def save_racket(path: Path, racket: RacketPose | None) -> None:
    """Write the racket's pose as netCDF; a file without instants where there is none."""
    _write_dataset(
        path, "courtplumb racket", {"racket": xr.Dataset() if racket is None else _racket_dataset(racket)}
    )


def _racket_dataset(racket: RacketPose) -> xr.Dataset:
    return xr.Dataset(
        {
            "butt_m": (("time", "space"), racket.butt_m, {"units": "m"}),
            "direction": (("time", "space"), racket.direction),
            "covariance": (("time", "pose", "pose_2"), racket.covariance),
            "normal": (("time", "space"), racket.normal),
            "u_roll_rad": ("time", racket.u_roll_rad, {"units": "rad"}),
            "status": ("time", racket.status),
        },
        coords={"time": ("time", racket.t_s, {"units": "s"}), "space": _SPACE},
        attrs={"frame": racket.frame},
    )


def load_racket(path: Path) -> RacketPose | None:
    """Read the racket's pose; None where there was no racket. Raises BadInput for a missing or foreign file."""
    d = _open(path, "courtplumb racket", "racket")
    if "butt_m" not in d:
        return None
    fields = ("butt_m", "direction", "covariance", "normal", "u_roll_rad", "status")
    return RacketPose(str(d.attrs["frame"]), d["time"].values, *(d[name].values for name in fields))


def save_clocks(path: Path, clocks: Clocks) -> None:
    """Write Clocks as JSON."""
    rows = [asdict(c) for c in clocks.clocks]
    write_json(path, {"kind": "courtplumb clocks", "format": FORMAT, "reference": clocks.reference,
                      "clocks": rows, "joint": clocks.joint})  # fmt: skip


def load_clocks(path: Path) -> Clocks:
    """Read Clocks. Raises BadInput for a missing or foreign file."""
    value = read_json(path, "courtplumb clocks")
    joint = tuple(tuple(row) for row in value.get("joint", ()))
    return Clocks(value["reference"], tuple(Clock(**row) for row in value["clocks"]), joint)


def save_events(path: Path, events: Events) -> None:
    """Write Events as JSON."""
    rows = [asdict(e) for e in events.events]
    write_json(path, {"kind": "courtplumb events", "format": FORMAT, "events": rows})


def load_events(path: Path) -> Events:
    """Read Events. Raises BadInput for a missing or foreign file."""
    return Events(tuple(Event(**row) for row in read_json(path, "courtplumb events")["events"]))


def save_measures(path: Path, measures: MeasureSet) -> None:
    """Write MeasureSet as JSON."""
    rows = [asdict(m) | {"sources": dict(m.sources)} for m in measures.measures]
    write_json(path, {"kind": "courtplumb measures", "format": FORMAT, "measures": rows})


def load_measures(path: Path) -> MeasureSet:
    """Read MeasureSet. Raises BadInput for a missing or foreign file."""
    return MeasureSet(tuple(Measure(**row) for row in read_json(path, "courtplumb measures")["measures"]))


def save_flight(path: Path, flight: BallFlight | None, reason: str = "") -> None:
    """Write the ball's free flight as JSON, or the reason why there is none."""
    value: dict[str, object] = {"kind": "courtplumb ball flight", "format": FORMAT, "reason": reason}
    if flight is not None:
        fields = asdict(flight)
        value["flight"] = {k: v.tolist() if isinstance(v, np.ndarray) else v for k, v in fields.items()}
    write_json(path, value)


def load_flight(path: Path) -> BallFlight | None:
    """Read the ball's free flight; None where there was none."""
    value = read_json(path, "courtplumb ball flight")
    return BallFlight(**value["flight"]) if "flight" in value else None


@dataclass(frozen=True, slots=True)
class FramePictures:
    """Small pictures of one camera's video, kept for the viewer and the report.

    t_cam_s (N,) are the frames' camera times, paths (N,) the JPEG files; scale is their size over the video's.
    """

    camera: str
    t_cam_s: Array
    paths: tuple[Path, ...]
    scale: float


def save_frame_index(folder: Path, camera: str, t_cam_s: list[float], names: list[str], scale: float) -> None:
    """Write the index of a folder of small pictures; it is written last, so an index means a whole set."""
    write_json(
        folder / "index.json",
        {"kind": "courtplumb pictures", "format": FORMAT, "camera": camera, "scale": scale,
         "t_cam_s": t_cam_s, "files": names},
    )  # fmt: skip


def load_frame_pictures(folder: Path) -> FramePictures:
    """Read a folder of small pictures. Raises BadInput for a missing or foreign index."""
    value = read_json(folder / "index.json", "courtplumb pictures")
    paths = tuple(folder / name for name in value["files"])
    return FramePictures(
        value["camera"], np.asarray(value["t_cam_s"], dtype=float), paths, float(value["scale"])
    )
