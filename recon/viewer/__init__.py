"""A measured serve on the screen, and the pages for clicking court points and for filming the board.

Reads records, never stages.

Names are looked up on first use: the clicking page should not have to wait for the 3D libraries.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from recon.viewer.browser import show
    from recon.viewer.click_page import click_court
    from recon.viewer.drawing import VIEWS
    from recon.viewer.guide_page import GuidePage
    from recon.viewer.stills import save_picture
    from recon.viewer.window import show_window

__all__ = ["VIEWS", "GuidePage", "click_court", "save_picture", "show", "show_window"]

_HOMES = {
    "GuidePage": "guide_page",
    "VIEWS": "drawing",
    "click_court": "click_page",
    "save_picture": "stills",
    "show": "browser",
    "show_window": "window",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'recon.viewer' has no attribute {name!r}")
    return getattr(import_module(f"recon.viewer.{_HOMES[name]}"), name)
