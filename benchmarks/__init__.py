"""Measured comparisons with other people's solvers, on invented footage whose truth is known.

Run from the repository's root: `python -m benchmarks.calibration_accuracy --help`. Not part of what is
installed.
"""
