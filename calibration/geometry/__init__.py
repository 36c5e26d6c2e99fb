"""Rigid transforms, the camera model and fits between point sets."""

from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid
from calibration.geometry.similarity import Similarity, fit_similarity

__all__ = ["Camera", "Rigid", "Similarity", "fit_similarity"]
