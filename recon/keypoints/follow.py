"""Follows one player through a clip: body keypoints, racket tape and ball of every frame of one camera."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path

import numpy as np

from calibration.checks import Array
from calibration.footage import Frame, Video, begins_s, frames, probe
from calibration.median import upper_median_picture
from calibration.skim import skim
from recon.keypoints.around import everybody
from recon.keypoints.balls import NO_BALLS, BallOptions, find_balls
from recon.keypoints.course import PERSON_SHARE, Course
from recon.keypoints.markers import MARKERS, Image, MarkerOptions, find_markers
from recon.keypoints.pace import Pace
from recon.keypoints.passes import NOBODY, Mode, Seen, look_at
from recon.keypoints.pose import Pose, PoseReader, Window
from recon.keypoints.server import LEAP_HEIGHTS, ServerPlace, hips_px
from recon.keypoints.trail import Trail
from recon.people.sightings import same_person
from recon.records import BODY, SOUGHT

_ON_COURSE_HEIGHTS = 0.5  # of the body in the picture: a course is told every quarter of a second
_SHORT_FRAMES = 1200  # a clip of up to 10 s at 120 a second is sooner read through than sought nine times


@dataclass(frozen=True, slots=True, eq=False)
class ClipTracks:
    """What was seen in a stretch of one clip, before uncertainties are given to the body points.

    t_cam_s (T,), uv_px (T, P, 2) in the order of SOUGHT, visibility (T, 27), marker_sigma_px (T, 6);
    spread_px (T, 27) between the model's passes, NaN where there was one; balls (T, MOST_BALLS, 5) patches that
    may be the ball, as `find_balls` has them: none where nobody looked.
    """

    t_cam_s: Array
    uv_px: Array
    visibility: Array
    marker_sigma_px: Array
    spread_px: Array
    balls: Array | None = None

    def __post_init__(self) -> None:
        if self.balls is None:
            object.__setattr__(self, "balls", np.full((len(self.t_cam_s), *NO_BALLS.shape), np.nan))


def scene_of(video: Path | Video, samples: int = 9) -> Image:
    """The empty scene of a clip, from frames spread over it.

    Raises BadInput for a video that cannot be read.
    """
    info = probe(video)
    count = info.frame_count_hint or 0
    length = info.duration_s or 1.0
    if 0 < count <= _SHORT_FRAMES:
        whole = video if isinstance(video, Video) else Video(video)
        looks = skim(whole, samples / length, max(info.size_px))
        return upper_median_picture([f.image_bgr for f in islice(looks, samples)])
    pictures = []
    for k in range(samples):
        start = begins_s(video) + length * (k + 0.5) / samples
        picture = next(iter(frames(video, start_s=start)), None)
        if picture is not None:
            pictures.append(picture.image_bgr)
    return upper_median_picture(pictures)


def server_in(reader: PoseReader, image_bgr: Image, mode: Mode, place: ServerPlace) -> Seen | None:
    """The server in one picture, found without knowing where to look; None where nobody is found.

    Raises NotMeasurable where two people may be the server.
    """
    return _search(reader, image_bgr, mode, place)


def follow(
    video: Path | Video,
    reader: PoseReader,
    scene: Image,
    markers: MarkerOptions,
    mode: Mode,
    place: ServerPlace,
    *,
    before: Seen | None = None,
    course: Course | None = None,
    start_s: float | None = None,
    stop_s: float | None = None,
    tick: Callable[[], None] = lambda: None,
) -> ClipTracks:
    """Read a stretch of a clip frame by frame; memory does not grow with its pictures.

    The window is where the frames before lead to. The mode says which frames are passed over: their body is not
    seen, racket and ball are. A lost player is searched for anew, at most every tenth frame so that an empty
    court costs little. tick is called once a frame. place tells the server from other people in the picture;
    its at_px holds where the stretch begins, later searches look where the server was last.
    before: the server in the clip's first frame; where he still stands there, the stretch needs no search.
    course: where the server is as far as that is told beforehand; who is elsewhere then is somebody else.
    Raises BadInput for a video that cannot be read, NotMeasurable where two people may be the server.
    """
    rows: list[tuple[float, Array, Array, Array, Array, Array]] = []
    follower = _Follower(reader, mode, place, before, course)
    for frame, is_last in _and_whether_last(frames(video, start_s=start_s, stop_s=stop_s)):
        seen, window = follower.sight(frame, is_last)
        region = marker_region(frame.image_bgr, window)
        marker_uv, marker_sigma = find_markers(frame.image_bgr, scene, region, markers)
        body = seen if seen is not None else NOBODY
        points = np.concatenate([body.uv_px, marker_uv])
        balls = balls_around(frame.image_bgr, scene, window, markers)
        rows.append((frame.t_s, points, body.visibility, marker_sigma, body.spread_px, balls))
        tick()
    times, points_px, visible, sigmas, spread, balls_seen = zip(*rows, strict=True) if rows else ([],) * 6
    return ClipTracks(
        np.array(times),
        np.array(points_px).reshape(-1, len(SOUGHT), 2),
        np.array(visible).reshape(-1, len(BODY)),
        np.array(sigmas).reshape(-1, len(MARKERS)),
        np.array(spread).reshape(-1, len(BODY)),
        np.array(balls_seen).reshape(-1, *NO_BALLS.shape),
    )


class _Follower:
    """Where one player is looked for, frame after frame of a stretch."""

    def __init__(
        self, reader: PoseReader, mode: Mode, place: ServerPlace, before: Seen | None, course: Course | None
    ) -> None:
        self._reader, self._mode, self._place, self._before = reader, mode, place, before
        self._course = course
        self._trail, self._pace, self._wait = Trail(), Pace(mode.pass_over), 0
        reader.forget()

    def sight(self, frame: Frame, must: bool) -> tuple[Seen | None, Window | None]:
        """What is seen of the player, and the window where he is or should be.

        must: the frame is not passed over.
        """
        told = self._course.expected(frame.t_s) if self._course is not None else None
        if told is not None:
            self._place = replace(self._place, at_px=np.array([told.u_px, told.v_px]), reach=_ON_COURSE_HEIGHTS)
        expected = self._trail.expected(frame.t_s) or told
        self._wait -= 1
        if expected is not None and not must and not self._pace.due(frame.t_s):
            self._pace = self._pace.passed(frame.t_s)
            return None, expected
        seen = self._look(frame.image_bgr, expected)
        if seen is None:
            self._pace = Pace(self._mode.pass_over)
            return None, expected
        window = _window_of(seen.uv_px)
        self._trail, self._pace = self._trail.then(frame.t_s, window), self._pace.looked(frame.t_s, seen.uv_px)
        if self._place.at_px is not None:
            self._place = replace(self._place, at_px=hips_px(seen.uv_px), reach=LEAP_HEIGHTS)
        return seen, window

    def _look(self, picture: Image, expected: Window | None) -> Seen | None:
        seen = look_at(self._reader, picture, expected, self._mode) if expected is not None else None
        if seen is not None and not self._place.may_be(Pose(seen.uv_px, seen.visibility)):
            seen, self._trail = None, Trail()  # somebody walked past, and the model went along
        if self._before is not None:
            seen, self._before = _still_there(self._reader, picture, self._mode, self._before), None
        if seen is None and self._wait <= 0:
            seen = _search(self._reader, picture, self._mode, self._place)
            self._wait = 0 if seen is not None else 10
        return seen


def _and_whether_last(of: Iterator[Frame]) -> Iterator[tuple[Frame, bool]]:
    """Each frame, and whether none comes after it; two are held at a time."""
    held = next(of, None)
    for frame in of:
        assert held is not None
        yield held, False
        held = frame
    if held is not None:
        yield held, True


def _window_of(uv_px: Array) -> Window:
    return Window(0, 0, 0).around(uv_px, PERSON_SHARE)


def _still_there(reader: PoseReader, image: Image, mode: Mode, before: Seen) -> Seen | None:
    """The person who stands where another frame showed the server; None where nobody stands just there."""
    seen = look_at(reader, image, _window_of(before.uv_px), mode)
    return seen if seen is not None and same_person(seen.uv_px, before.uv_px) else None


def _search(reader: PoseReader, image: Image, mode: Mode, place: ServerPlace) -> Seen | None:
    """The server among everybody in the picture, read again in a window of their own."""
    best = place.choose(everybody(reader, image))
    if best is None:
        return None
    again = look_at(reader, image, _window_of(best.uv_px), mode)
    return again or Seen(best.uv_px, best.visibility, np.full(len(BODY), np.nan))


def balls_around(image: Image, scene: Image, window: Window | None, markers: MarkerOptions) -> Array:
    """(MOST_BALLS, 5) patches that may be the ball, around a window; none where nobody tells their size."""
    if window is None:
        return NO_BALLS
    hues = (markers.hues_deg[MARKERS.index("ball")], *markers.ball_hues_deg)
    region = marker_region(image, window)
    return find_balls(image, scene, region, PERSON_SHARE * window.side_px, BallOptions(hues_deg=hues))


def marker_region(image: Image, window: Window | None) -> tuple[int, int, int, int]:
    """Racket and ball reach beyond the body: one and a half windows wide, up to the picture's upper edge."""
    height, width = image.shape[:2]
    if window is None:
        return 0, 0, width, height
    half = 0.85 * window.side_px
    left, right = max(int(window.u_px - half), 0), min(int(window.u_px + half) + 1, width)
    bottom = min(int(window.v_px + 0.6 * window.side_px) + 1, height)
    return (left, 0, right, bottom) if right > left and bottom > 0 else (0, 0, width, height)
