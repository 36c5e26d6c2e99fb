"""Other people's calibration solvers, each behind the same call: corners in, cameras out."""
