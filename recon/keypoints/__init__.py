"""2D points of every camera: from pixels, or from a file of the user's own."""

from recon.keypoints.again import Wanted, look_again, with_rows, without_bodies
from recon.keypoints.around import look_around
from recon.keypoints.assemble import NobodySeen, tracks_from_clips, without_person
from recon.keypoints.balls import candidates_of
from recon.keypoints.course import Course, window_of_box
from recon.keypoints.fill import FillOptions, Known, curve_between, fill_between
from recon.keypoints.follow import ClipTracks, follow, scene_of
from recon.keypoints.glances import GlimpseOptions, Looks, glimpse
from recon.keypoints.long_file import Glimpse, Span, glimpse_own_keypoints, rows_within
from recon.keypoints.markers import MARKERS, MarkerOptions
from recon.keypoints.own_file import own_tracks, read_own_keypoints
from recon.keypoints.passes import MODES, Mode, Seen, mode_of
from recon.keypoints.pose import PoseReader, Window
from recon.keypoints.racket_join import Points, join_points, noise_of_filled, with_frames
from recon.keypoints.rigid import contradicting_fill
from recon.keypoints.server import ServerPlace
from recon.keypoints.tape_colours import (
    TapeHues,
    TapePatch,
    alike_elsewhere,
    drawn,
    goes_on,
    patch_at,
    tape_hues,
)

__all__ = [
    "MARKERS",
    "MODES",
    "ClipTracks",
    "Course",
    "FillOptions",
    "Glimpse",
    "GlimpseOptions",
    "Known",
    "Looks",
    "MarkerOptions",
    "Mode",
    "NobodySeen",
    "Points",
    "PoseReader",
    "Seen",
    "ServerPlace",
    "Span",
    "TapeHues",
    "TapePatch",
    "Wanted",
    "Window",
    "alike_elsewhere",
    "candidates_of",
    "contradicting_fill",
    "curve_between",
    "drawn",
    "fill_between",
    "follow",
    "glimpse",
    "glimpse_own_keypoints",
    "goes_on",
    "join_points",
    "look_again",
    "look_around",
    "mode_of",
    "noise_of_filled",
    "own_tracks",
    "patch_at",
    "read_own_keypoints",
    "rows_within",
    "scene_of",
    "tape_hues",
    "tracks_from_clips",
    "window_of_box",
    "with_frames",
    "with_rows",
    "without_bodies",
    "without_person",
]
