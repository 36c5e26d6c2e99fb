"""Several people in view: told apart over cameras and time, and the server chosen among them."""

from recon.people.choose import Choice, choose_server
from recon.people.followed import Followed, State, compare_followed
from recon.people.paths import Path, link
from recon.people.persons import CourtTrack, Gathering, Person, Timing, tell_apart
from recon.people.sightings import Sighting

__all__ = [
    "Choice",
    "CourtTrack",
    "Followed",
    "Gathering",
    "Path",
    "Person",
    "Sighting",
    "State",
    "Timing",
    "choose_server",
    "compare_followed",
    "link",
    "tell_apart",
]
