"""2D points of every camera: from pixels, or from a file of the user's own."""

from recon.keypoints.assemble import tracks_from_clips, without_person
from recon.keypoints.follow import ClipTracks, first_sight, follow, scene_of
from recon.keypoints.markers import MARKERS, MarkerOptions
from recon.keypoints.own_file import read_own_keypoints
from recon.keypoints.passes import MODES, Mode, Seen, mode_of
from recon.keypoints.pose import PoseReader
from recon.keypoints.server import ServerPlace

__all__ = [
    "MARKERS",
    "MODES",
    "ClipTracks",
    "MarkerOptions",
    "Mode",
    "PoseReader",
    "Seen",
    "ServerPlace",
    "first_sight",
    "follow",
    "mode_of",
    "read_own_keypoints",
    "scene_of",
    "tracks_from_clips",
    "without_person",
]
