"""The instants of a serve, found in the motion and the ball's flight."""

from recon.events.detect import detect_events, told_by_curves
from recon.events.making import EventOptions

__all__ = ["EventOptions", "detect_events", "told_by_curves"]
