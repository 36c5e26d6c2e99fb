"""Cameras: lenses, their places in one rig, and the rig's place on the court. Knows nothing of people."""

from calibration.board import Board
from calibration.calibrated_rig import CalibratedRig, ClickResidual, CourtCheck, LineCheck, LineDistance
from calibration.checks import Array, checked
from calibration.court.clicks import Click
from calibration.court.line_registration import LineRegistration, register_lines
from calibration.court.line_samples import LineOptions
from calibration.court.model import (
    COURT_POINTS_M,
    OUTLINES_M,
    PAINTED_LINES,
    POINTS,
    SERVE_VOLUME,
    CourtPoint,
    PaintedLine,
    Volume,
    court_point,
)
from calibration.court.registration import CourtOptions, register_court
from calibration.court.scale import EndClick, LengthCheck, check_lengths, read_lengths
from calibration.court.uncertainty import baseline_u_m, point_covariance_m2, u_over_volume, worst_u_over_volume
from calibration.court_rig import place_by_court
from calibration.errors import BadInput, CourtplumbError, FrameMismatch, NotMeasurable
from calibration.files import load_lens, load_rig, save_lens, save_rig, write_atomically
from calibration.folder import RigFolder, read_clicks, read_rig_folder, read_toml, write_clicks
from calibration.footage import FootageInfo, Frame, frames, picture, picture_paths, probe
from calibration.geometry.camera import N_CAMERA, PARAMETERS, Camera
from calibration.geometry.rigid import Rigid
from calibration.geometry.similarity import Similarity, fit_similarity
from calibration.lens import LENS_PARAMETERS, LensCalibration, calibrate_lens
from calibration.own import load_any_rig
from calibration.provenance import Provenance, content_hash, program_version
from calibration.rig import calibrate_rig
from calibration.steps import run_court, run_lens, run_rig
from calibration.views import Progress, silent

__all__ = [
    "COURT_POINTS_M",
    "LENS_PARAMETERS",
    "N_CAMERA",
    "OUTLINES_M",
    "PAINTED_LINES",
    "PARAMETERS",
    "POINTS",
    "SERVE_VOLUME",
    "Array",
    "BadInput",
    "Board",
    "CalibratedRig",
    "Camera",
    "Click",
    "ClickResidual",
    "CourtCheck",
    "CourtOptions",
    "CourtPoint",
    "CourtplumbError",
    "EndClick",
    "FootageInfo",
    "Frame",
    "FrameMismatch",
    "LengthCheck",
    "LensCalibration",
    "LineCheck",
    "LineDistance",
    "LineOptions",
    "LineRegistration",
    "NotMeasurable",
    "PaintedLine",
    "Progress",
    "Provenance",
    "RigFolder",
    "Rigid",
    "Similarity",
    "Volume",
    "baseline_u_m",
    "calibrate_lens",
    "calibrate_rig",
    "check_lengths",
    "checked",
    "content_hash",
    "court_point",
    "fit_similarity",
    "frames",
    "load_any_rig",
    "load_lens",
    "load_rig",
    "picture",
    "picture_paths",
    "place_by_court",
    "point_covariance_m2",
    "probe",
    "program_version",
    "read_clicks",
    "read_lengths",
    "read_rig_folder",
    "read_toml",
    "register_court",
    "register_lines",
    "run_court",
    "run_lens",
    "run_rig",
    "save_lens",
    "save_rig",
    "silent",
    "u_over_volume",
    "worst_u_over_volume",
    "write_atomically",
    "write_clicks",
]
