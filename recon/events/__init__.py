"""The instants of a serve, found in the motion and the ball's flight."""

from recon.events.detect import EventOptions, detect_events

__all__ = ["EventOptions", "detect_events"]
