"""Calibration boards: what they are, finding them in pictures, and telling one from another."""

from calibration.board.description import (
    CHARUCO,
    CHECKERBOARD,
    DICTIONARIES,
    Board,
    Corners,
    Ids,
    checked_ids,
    grey,
    no_ids,
)
from calibration.board.finding import find_board, refine_board, rise_px
from calibration.board.identity import check_board

__all__ = [
    "CHARUCO",
    "CHECKERBOARD",
    "DICTIONARIES",
    "Board",
    "Corners",
    "Ids",
    "check_board",
    "checked_ids",
    "find_board",
    "grey",
    "no_ids",
    "refine_board",
    "rise_px",
]
