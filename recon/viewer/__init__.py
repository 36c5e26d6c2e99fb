"""A measured serve on the screen. Reads records, never stages."""

from recon.viewer.browser import show
from recon.viewer.drawing import VIEWS
from recon.viewer.stills import save_picture
from recon.viewer.window import show_window

__all__ = ["VIEWS", "save_picture", "show", "show_window"]
