"""The ground that players run on, where nothing may stand."""

from __future__ import annotations

from calibration.court.model import DOUBLES_WIDTH_M

RUN_OFF_BEHIND_M, RUN_OFF_BESIDE_M = 5.49, 3.05
"""Least clear ground behind the baseline and beside the doubles line of a court for recreation, 18 and 10 feet:
the International Tennis Federation's guidance (values from memory; larger for tournaments)."""

_REACH_M = 3.2  # a tall player's racket tip at contact stays below it


def in_run_off(place_m: tuple[float, float, float]) -> bool:
    """Whether a camera at place_m, or its stand, is where a player may run and swing."""
    x, y, z = place_m
    beside = abs(x) < DOUBLES_WIDTH_M / 2 + RUN_OFF_BESIDE_M
    return z < _REACH_M and beside and y > -RUN_OFF_BEHIND_M
