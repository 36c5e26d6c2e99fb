"""Measures against published tables, vectors and rules. Each names its source."""

from __future__ import annotations

import numpy as np
import pytest

from recon.body import Body, knee_flexion_rad
from recon.mass import SEGMENTS, centre_of_mass_m
from recon.measures import MEASURES, Athlete, Serve
from recon.records import EVENT_NAMES, KEYPOINTS, Event, Events
from recon.trunk import elevation_rad, lay_back_rad

T = np.linspace(0.0, 2.0, 241)
EVENTS = Events(tuple(Event(n, 0.3 + 0.1 * k, 0.005) for k, n in enumerate(EVENT_NAMES)))


def body(points: dict[str, np.ndarray], hand: str = "right") -> Body:
    xyz = np.full((len(T), len(KEYPOINTS), 3), np.nan)
    for name, place in points.items():
        xyz[:, KEYPOINTS.index(name)] = place
    return Body(T, KEYPOINTS, xyz, np.gradient(xyz, T, axis=0), hand)


# -- de Leva P (1996) J Biomech 29(9):1223-1230, table 4 ----------------------------------------------------


def test_segments_add_up_to_the_whole_body():
    """Printed masses of all segments: 99.99 % (female) and 100.00 % (male)."""
    for sex, whole in (("mass_female", 99.99), ("mass_male", 100.00)):
        total = sum(getattr(s, sex) * (2 if s.paired else 1) for s in SEGMENTS.values())
        assert total == pytest.approx(whole, abs=1e-9)


def test_centre_of_mass_of_a_body_that_stands_upright():
    """Heights and shares worked out by hand: means of both columns, arms hanging, feet along y.

    head 6.81 % at 1.60 m; trunk 43.015 % at 1.40 - 0.4046 * 0.50; upper arms 2 * 2.63 % at
    1.40 - 0.5763 * 0.30; forearms 2 * 1.50 % at 1.10 - 0.45665 * 0.25; hands 2 * 0.585 % at
    0.85 - 0.7687 * 0.08; thighs 2 * 14.47 % at 0.90 - 0.38535 * 0.42; shanks 2 * 4.57 % at
    0.48 - 0.43735 * 0.40; feet 2 * 1.33 % at 0.04.
    """
    points = {"nose": (0, 0.1, 1.6)}
    for side, x in (("left", -0.2), ("right", 0.2)):
        points |= {
            f"{side}_ear": (x / 3, 0, 1.60), f"{side}_shoulder": (x, 0, 1.40), f"{side}_elbow": (x, 0, 1.10),
            f"{side}_wrist": (x, 0, 0.85), f"{side}_index": (x, 0, 0.77), f"{side}_pinky": (x, 0, 0.77),
            f"{side}_hip": (x / 2, 0, 0.90), f"{side}_knee": (x / 2, 0, 0.48),
            f"{side}_ankle": (x / 2, 0, 0.08), f"{side}_heel": (x / 2, -0.08, 0.04),
            f"{side}_toe": (x / 2, 0.16, 0.04),
        }  # fmt: skip
    parts = [
        (6.81, 1.60), (43.015, 1.1977), (5.26, 1.22711), (3.00, 0.9858375), (1.17, 0.788504), (28.94, 0.738153),
        (9.14, 0.30506), (2.66, 0.04),
    ]  # fmt: skip
    by_hand = sum(m * z for m, z in parts) / sum(m for m, _ in parts)
    centre = centre_of_mass_m(body({k: np.array(v, dtype=float) for k, v in points.items()}))[0]
    assert centre[2] == pytest.approx(by_hand, abs=1e-6)
    assert centre[0] == pytest.approx(0, abs=1e-12)
    # only the feet lie off the plane y = 0: 2.66 % at -0.08 + 0.42145 * 0.24
    assert centre[1] == pytest.approx(0.0266 / 0.99995 * (-0.08 + 0.42145 * 0.24), abs=1e-6)


# -- joint coordinate systems: Grood & Suntay 1983; Wu et al. 2002 and 2005 ---------------------------------

ISB_TO_COURT = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
"""ISB's global X forward, Y up, Z right in the court's x right, y ahead, z up."""


def test_shoulder_elevation_of_a_published_orientation():
    """Y-X-Y with plane 45, elevation -100 degrees puts the upper arm at (.69636424, .17364818, .69636424)."""
    arm = ISB_TO_COURT @ np.array([0.69636424, 0.17364818, 0.69636424])
    shoulder = np.array([0.2, 0.0, 1.5])
    pose = {
        "right_shoulder": shoulder, "left_shoulder": np.array([-0.2, 0.0, 1.5]),
        "right_hip": np.array([0.1, 0.0, 1.0]), "left_hip": np.array([-0.1, 0.0, 1.0]),
        "right_elbow": shoulder + 0.3 * arm,
    }  # fmt: skip
    assert np.degrees(elevation_rad(body(pose))[0]) == pytest.approx(100.0, abs=1e-5)


@pytest.mark.parametrize("axial_deg", [-90.0, -30.0, 0.0, 40.0])
def test_lay_back_follows_the_axial_rotation_of_the_joint_coordinate_system(axial_deg):
    """Upper arm square to the side (plane 0, elevation -90): a bent forearm turns with the axial rotation.

    At axial rotation 0 the forearm of an elbow bent by 90 degrees points ahead of the chest; external rotation,
    negative by the recommendation, lays it up and back.
    """
    a = np.radians(axial_deg)
    shoulder, elbow = np.array([0.2, 0.0, 1.5]), np.array([0.5, 0.0, 1.5])
    ahead, up = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0])
    pose = {
        "right_shoulder": shoulder, "left_shoulder": np.array([-0.2, 0.0, 1.5]),
        "right_hip": np.array([0.1, 0.0, 1.0]), "left_hip": np.array([-0.1, 0.0, 1.0]),
        "right_elbow": elbow, "right_wrist": elbow + 0.27 * (np.cos(a) * ahead - np.sin(a) * up),
    }  # fmt: skip
    assert np.degrees(lay_back_rad(body(pose))[0]) == pytest.approx(-axial_deg, abs=1e-9)


def test_knee_flexion_beside_the_joint_coordinate_system():
    """Right knee flexed by 60, adducted by 5, rotated in by 10 degrees (Z-X-Y -60, 5, 10).

    Ours is the angle between the two long axes, whose cosine is the matrix's middle entry, .49809735: adduction
    adds an eighth of a degree to 60.
    """
    R = np.array(
        [[0.50551068, 0.86272992, 0.0124917], [-0.84530131, 0.49809735, -0.19329956],
         [-0.17298739, 0.08715574, 0.98106026]]
    )  # fmt: skip
    knee = np.array([0.1, 0.0, 0.5])
    shank_up = ISB_TO_COURT @ R[:, 1]
    pose = {"right_hip": knee + [0, 0, 0.42], "right_knee": knee, "right_ankle": knee - 0.40 * shank_up}
    flexion = np.degrees(knee_flexion_rad(body(pose), "back")[0])
    assert flexion == pytest.approx(np.degrees(np.arccos(0.49809735)), abs=1e-5)
    assert flexion == pytest.approx(60.0, abs=0.2)


# -- Rules of Tennis (International Tennis Federation), rules 16 and 18 --------------------------------------


def feet(front_toe_y: float, *, back_y: float = -0.6, lifted: float = 0.0, x: float = 0.4) -> Body:
    """A right-hander with both feet straight at the net; the front one moved from 0.9 s on."""
    out = {
        "left_heel": np.array([x, -0.5, 0.03]), "left_toe": np.array([x, -0.25, 0.03]),
        "right_heel": np.array([x + 0.3, back_y - 0.25, 0.03]), "right_toe": np.array([x + 0.3, back_y, 0.03]),
    }  # fmt: skip
    ahead = (T > 0.9)[:, None] * np.array([0.0, front_toe_y + 0.25, lifted])
    paths = {n: np.tile(p, (len(T), 1)) for n, p in out.items()}
    for part in ("heel", "toe"):
        paths[f"left_{part}"] = paths[f"left_{part}"] + ahead
    b = body(paths)
    return Body(b.t_s, b.keypoints, b.xyz_m, np.zeros_like(b.xyz_m), "right")


RULE_EVENTS = Events(
    tuple(Event(n, {"start": 0.5, "contact": 1.5, "stance": 0.4}.get(n, 1.0), 0.005) for n in EVENT_NAMES)
)


@pytest.mark.parametrize(
    ("case", "fault"),
    [
        (feet(-0.10), False),  # behind the line
        (feet(0.05), True),  # on the line
        (feet(0.40, lifted=0.3), False),  # over the line, but in the air: no fault
        (feet(-0.25, back_y=0.02), True),  # the back foot counts too
    ],
)
def test_only_touching_the_line_is_a_foot_fault(case, fault):
    found = MEASURES["foot_fault_clearance"].compute(Serve(case, RULE_EVENTS, Athlete(shoe_margin_m=0.0)))
    assert (found.value < 0) == fault


@pytest.mark.parametrize(
    ("x", "side", "mark_fault", "side_fault"),
    [
        (0.6, "deuce", False, False),
        (0.0, "deuce", True, False),  # the front foot on the centre mark's continuation
        (-0.3, "deuce", True, False),  # the wrong side of it altogether
        (-1.2, "advantage", False, False),
        (3.9, "deuce", False, True),  # the back foot outside the singles sideline's continuation
    ],
)
def test_centre_mark_and_sideline_bound_the_server(x, side, mark_fault, side_fault):
    serve = Serve(feet(-0.25, x=x), RULE_EVENTS, Athlete(side=side, game="singles", shoe_margin_m=0.0))
    assert (MEASURES["centre_mark_clearance"].compute(serve).value < 0) == mark_fault
    assert (MEASURES["sideline_clearance"].compute(serve).value < 0) == side_fault


def test_standing_between_the_sidelines_is_for_doubles():
    wide = feet(-0.25, x=4.4)
    for game, fault in (("singles", True), ("doubles", False)):
        serve = Serve(wide, RULE_EVENTS, Athlete(side="deuce", game=game))
        assert (MEASURES["sideline_clearance"].compute(serve).value < 0) == fault
