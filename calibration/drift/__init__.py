"""Is the rig still where it was? Compares new pictures with those kept at calibration, and mends what moved."""
