"""What a printed sheet says."""

from __future__ import annotations

from calibration.board import Board

READING_U_MM = 0.3
"""Standard uncertainty put on the sheet for a length read with a steel ruler: two ends of about 0.2 mm each."""

TILE_LINES = (
    "Print at 100 %, never fitted to the page. Cut along the dashed lines and beyond the hatched strips; glue",
    "each strip under the next sheet, whose edge lies on the solid line. Measure over many squares, across the "
    "seams. The guide page says the rest.",
)


def instructions(board: Board, squares: int) -> tuple[str, ...]:
    """From printer to rig.toml. squares: how many the length to measure spans."""
    side = board.square_m * 1e3
    return (
        "1. Print at 100 % (actual size), never fitted to the page, on matte paper.",
        "2. Glue it on something flat and rigid, such as glass or aluminium composite, without bubbles; no "
        "glossy film. Tape sharp edges, and keep glass off the court while anybody plays.",
        f"3. Measure with a steel ruler over all {squares} squares of a long row, outer edge to outer edge; "
        f"meant are {squares * side:.1f} mm. Your reading is measured_mm, how far it may be off is "
        f"measured_u_mm. The same by hand: square_mm = reading / {squares}, square_u_mm = its error / "
        f"{squares}; from a printed ruler: square_mm = {side:g} x measured / printed, "
        f"square_u_mm = {side:g} x reading error / printed.",
        "4. If the rulers across and down are stretched differently by more than 0.3 %, take another printer.",
        "5. Flatness matters most: 3 mm of bow costs about 1.7 mm at the player where it is not modelled. Lay "
        "a straight edge along both diagonals.",
    )
