"""Points in space from two or more views: weighted maximum likelihood, covariance, status per point."""

from recon.triangulate.points import Triangulated, TriangulateOptions, triangulate

__all__ = ["TriangulateOptions", "Triangulated", "triangulate"]
