"""Who the server is, among people at known places on the court."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.errors import NotMeasurable
from recon.keypoints import ServerPlace
from recon.keypoints.pose import Pose
from recon.keypoints.server import hips_px
from recon.records import BODY
from tests.support.world import three_cameras

REAR = three_cameras()[0]
PLACE = ServerPlace(REAR)
HEIGHT_SHARE = {
    "nose": 0.93, "eye": 0.94, "ear": 0.93, "shoulder": 0.82, "elbow": 0.63, "wrist": 0.48, "thumb": 0.46,
    "index": 0.44, "pinky": 0.45, "hip": 0.52, "knee": 0.28, "ankle": 0.05, "heel": 0.0, "toe": 0.0,
}  # fmt: skip


def standing(x_m: float, y_m: float, tall_m: float = 1.8, visible: float = 1.0, up_m: float = 0.0) -> Pose:
    """A person upright at a place of the court, as the rear camera sees them."""
    points = [
        [x_m + 0.15 * (name.startswith("right") - name.startswith("left")), y_m,
         up_m + tall_m * HEIGHT_SHARE[name.split("_")[-1]]]
        for name in BODY
    ]  # fmt: skip
    return Pose(REAR.project(np.array(points)), np.full(len(BODY), visible))


def test_feet_are_where_the_person_stands() -> None:
    x, y = PLACE.feet_m(standing(0.4, -0.3))
    assert abs(x - 0.4) < 0.2 and abs(y + 0.3) < 0.02  # one of the two feet, 0.15 m to the side


@pytest.mark.parametrize("other", [(-1.5, -4.2), (2.0, 11.0), (0.5, 23.5), (7.5, -0.3), (1.0, -2.6)])
def test_others_are_left_alone_however_large_they_look(other: tuple[float, float]) -> None:
    """A passer-by near the camera, players at the net, at the other end and on the next court, a coach."""
    server = standing(0.5, -0.2, tall_m=1.4, visible=0.7)
    for people in ([server, standing(*other)], [standing(*other), server]):
        assert PLACE.choose(people) is server
    assert PLACE.choose([standing(*other)]) is None or abs(other[1]) < 3  # a coach alone may be taken for one


def test_one_person_found_in_two_windows_is_one() -> None:
    clear = standing(0.5, -0.2)
    again = Pose(clear.uv_px + 3.0, np.full(len(BODY), 0.8))
    assert PLACE.choose([again, clear]) is clear


def test_two_at_the_line_are_asked_about_and_a_pixel_decides() -> None:
    one, two = standing(0.5, -0.2), standing(-1.6, -0.4)
    with pytest.raises(NotMeasurable, match=r"rear_left: two people .* \[server\] rear_left = \[\d+, \d+\]"):
        PLACE.choose([one, two])
    hips = two.uv_px[[BODY.index("left_hip"), BODY.index("right_hip")]].mean(axis=0)
    assert replace(PLACE, at_px=hips + 15).choose([one, two]) is two


def test_one_named_by_a_pixel_may_move_but_not_leap() -> None:
    """A player on the next court is small in the picture: so many pixels are too many for them."""
    server = standing(0.5, -0.2)
    place = replace(PLACE, at_px=hips_px(server.uv_px))
    near, aside, far = standing(1.4, -0.2), standing(3.2, -0.2), standing(10.0, 12.0)
    assert place.may_be(near) and place.choose([near, aside, far]) is near
    for other in (aside, far):
        assert not place.may_be(other) and place.choose([other]) is None
    tall = [float(np.ptp(p.uv_px[:, 1])) for p in (server, far)]
    assert tall[1] < np.linalg.norm(hips_px(far.uv_px) - hips_px(server.uv_px)) < tall[0]


def test_the_server_in_the_air_is_still_followed_and_someone_walking_off_is_not() -> None:
    assert PLACE.may_be(standing(0.4, 0.6, up_m=0.35))
    assert not PLACE.may_be(standing(3.0, 9.0))


def test_feet_above_the_horizon_are_nowhere() -> None:
    flying = standing(0.4, 0.0, up_m=4.0)
    assert np.isnan(PLACE.feet_m(flying)).all() and PLACE.choose([flying]) is None
