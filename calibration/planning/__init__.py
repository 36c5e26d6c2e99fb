"""What a rig that nobody has put up yet would know of its own cameras: board poses and covariance, foretold."""

from calibration.planning.aim import aimed_camera, focal_of_view_px
from calibration.planning.board_poses import lens_poses, shared_poses, views_of_boards
from calibration.planning.forecast import CalibrationPlan, LensForecasts, forecast_covariance
from calibration.planning.spread import court_u_m, shape_u_m

__all__ = [
    "CalibrationPlan",
    "LensForecasts",
    "aimed_camera",
    "court_u_m",
    "focal_of_view_px",
    "forecast_covariance",
    "lens_poses",
    "shape_u_m",
    "shared_poses",
    "views_of_boards",
]
