"""2D points of every camera: from pixels, or from a file of the user's own."""

from recon.keypoints.assemble import tracks_from_clips, without_person
from recon.keypoints.follow import ClipTracks, first_sight, follow, scene_of
from recon.keypoints.glances import GlimpseOptions, Looks, glimpse
from recon.keypoints.long_file import Glimpse, Span, glimpse_own_keypoints, rows_within
from recon.keypoints.markers import MARKERS, MarkerOptions
from recon.keypoints.own_file import own_tracks, read_own_keypoints
from recon.keypoints.passes import MODES, Mode, Seen, mode_of
from recon.keypoints.pose import PoseReader, Window
from recon.keypoints.server import ServerPlace

__all__ = [
    "MARKERS",
    "MODES",
    "ClipTracks",
    "Glimpse",
    "GlimpseOptions",
    "Looks",
    "MarkerOptions",
    "Mode",
    "PoseReader",
    "Seen",
    "ServerPlace",
    "Span",
    "Window",
    "first_sight",
    "follow",
    "glimpse",
    "glimpse_own_keypoints",
    "mode_of",
    "own_tracks",
    "read_own_keypoints",
    "rows_within",
    "scene_of",
    "tracks_from_clips",
    "without_person",
]
