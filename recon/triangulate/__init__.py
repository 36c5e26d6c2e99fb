"""Points in space from two or more views: weighted maximum likelihood, covariance, status per point."""

from recon.triangulate.points import Triangulated, TriangulateOptions, triangulate
from recon.triangulate.refine import refine

__all__ = ["TriangulateOptions", "Triangulated", "refine", "triangulate"]
