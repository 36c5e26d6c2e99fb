"""Several people in view: told apart over cameras and time, and the server chosen among them."""

from recon.people.choose import Choice, choose_server
from recon.people.paths import Path, link
from recon.people.persons import CourtTrack, Gathering, Person, Timing, tell_apart
from recon.people.sightings import Sighting

__all__ = [
    "Choice",
    "CourtTrack",
    "Gathering",
    "Path",
    "Person",
    "Sighting",
    "Timing",
    "choose_server",
    "link",
    "tell_apart",
]
