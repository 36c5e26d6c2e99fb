"""Limits of the events, and how one is put down: with its uncertainty, or with the reason of its absence."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.errors import BadInput
from recon.records import Event


@dataclass(frozen=True, kw_only=True, slots=True)
class EventOptions:
    """Limits that tell rest from motion.

    start_speed_m_s, start_hold_s  a hand is under way when it keeps this speed this long; a still player
                     sways at less than 0.1 m/s (common practice)
    settled_m_s, settled_hold_s    a body is settled when its centre of mass stays slower than this so long
                     (measures page)
    u_onset_s, u_settled_s         of the method alone, of instants that a slow curve's limit tells
    """

    start_speed_m_s: float = 0.35
    start_hold_s: float = 0.08
    settled_m_s: float = 0.3
    settled_hold_s: float = 0.2
    u_onset_s: float = 0.015
    u_settled_s: float = 0.02

    def __post_init__(self) -> None:
        if min(self.start_speed_m_s, self.start_hold_s, self.settled_m_s, self.settled_hold_s) <= 0:
            raise BadInput(f"events: want positive limits, got {self}")


def found(name: str, t_s: float, u_s: float) -> Event:
    """An event that was found."""
    return Event(name, float(t_s), float(u_s))


def absent(name: str, why: str) -> Event:
    """An event that could not be found."""
    return Event(name, None, None, why)


def needs(name: str, *others: Event) -> Event:
    """An event that could not be found because others could not."""
    missing = [other.name for other in others if other.t_s is None]
    return absent(name, f"needs {' and '.join(missing)}, which could not be found")
