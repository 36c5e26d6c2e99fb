"""Physical screens that a person took and wrote down: read, set against published limits, shown.

They are never measured by cameras, never make a diagnosis, and never make a rule fire.
"""

from recon.screens.flags import BESIDE, YOUNG, ScreenLine, screen_lines
from recon.screens.form import SCREENS_FILE, Screens, Sides, find_screens, load_screens

__all__ = [
    "BESIDE",
    "SCREENS_FILE",
    "YOUNG",
    "ScreenLine",
    "Screens",
    "Sides",
    "find_screens",
    "load_screens",
    "screen_lines",
]
