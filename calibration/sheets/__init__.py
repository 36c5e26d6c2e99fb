"""Boards to print: what goes on which page, in millimetres, and the PDF of it."""

from calibration.sheets.layout import PAPERS_MM, Page, Plan, board_for_paper, plan_poster, plan_sheet
from calibration.sheets.pattern import black_rectangles_mm
from calibration.sheets.pdf import write_sheets

__all__ = [
    "PAPERS_MM",
    "Page",
    "Plan",
    "black_rectangles_mm",
    "board_for_paper",
    "plan_poster",
    "plan_sheet",
    "write_sheets",
]
