"""2D points of every camera: from pixels, or from a file of the user's own."""

from recon.keypoints.assemble import tracks_from_clips
from recon.keypoints.follow import ClipTracks, follow, scene_of
from recon.keypoints.markers import MARKERS, MarkerOptions
from recon.keypoints.own_file import OwnNoise, glimpse_own_keypoints, own_rows, read_own_keypoints
from recon.keypoints.passes import MODES, Mode, mode_of
from recon.keypoints.server import ServerPlace

__all__ = [
    "MARKERS",
    "MODES",
    "ClipTracks",
    "MarkerOptions",
    "Mode",
    "OwnNoise",
    "ServerPlace",
    "follow",
    "glimpse_own_keypoints",
    "mode_of",
    "own_rows",
    "read_own_keypoints",
    "scene_of",
    "tracks_from_clips",
]
