"""Other stances and serves that stay on the ground: events, soles, and what the pictures leave out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.errors import BadInput
from demo_rigs.appearance import TAPE_COLOURS, dress, racket_mesh, shoe_vertices
from demo_rigs.description import Style
from demo_rigs.players import Skin, build_serve
from demo_rigs.soles import sole_reach, true_sole_clearance
from demo_rigs.truth import truth_dataset

FOOTWORK = {
    "pinpoint": ("pinpoint",),
    "grounded": ("grounded",),
    "pinpoint, grounded": ("grounded", "pinpoint_grounded"),
}


@pytest.fixture(scope="module")
def built(academy, wheel):
    """Stance → (entry, serve) of the clean serve with other footwork."""
    out = {}
    for name, footwork in FOOTWORK.items():
        entry = replace(academy.serve("clean_right"), style=Style(footwork=footwork))
        out[name] = entry, build_serve(wheel, entry)
    return out


@pytest.fixture(scope="module")
def truths(academy, built):
    return {name: truth_dataset(academy, *pair) for name, pair in built.items()}


def toes(data, side):
    return data.xyz_m.sel(keypoint=f"{side}_toe").values


@pytest.mark.parametrize("name", FOOTWORK)
def test_legs_reach_their_feet_and_shoes_never_sink(built, name):
    entry, serve = built[name]
    t = np.arange(0.3, 3.2, 0.02)
    moment = serve.at(t)
    assert max(s.max() for s in moment.stretch.values()) < 1.0
    dressed = dress(serve.body, entry.athlete)
    skin = Skin(dressed.weights, dressed.vertices_m, dressed.normals)
    assert min(skin.at(moment, k)[0][:, 2].min() for k in range(0, len(t), 4)) > -0.015


def test_a_serve_that_stays_down_pushes_off_at_its_greatest_rise_and_never_lands(truths):
    for name in ("grounded", "pinpoint, grounded"):
        data = truths[name]
        assert "event_landing_s" not in data.attrs
        t = data.time.values
        assert data.planted.sel(foot_point="left_toe").values.all()
        hips = (data.xyz_m.sel(keypoint="left_hip") + data.xyz_m.sel(keypoint="right_hip")).values[:, 2] / 2
        before = (t >= 0.6) & (t < 2.05)
        fastest = t[before][np.argmax(np.gradient(hips, t)[before])]
        assert data.attrs["event_push_off_s"] == pytest.approx(fastest, abs=1e-9)
        assert data.attrs["event_deepest_bend_s"] < data.attrs["event_push_off_s"] < 2.05


def test_a_pinpoint_serve_flies_and_lands(truths):
    data = truths["pinpoint"]
    push, landing = data.attrs["event_push_off_s"], data.attrs["event_landing_s"]
    t = data.time.values
    air = (t > push) & (t < landing)
    assert 0.15 < landing - push < 0.4
    assert not data.planted.values[air].any()
    assert data.planted.values[np.argmin(np.abs(t - landing))].any()


def test_the_back_foot_steps_up_beside_the_front_one_before_the_deepest_bend(truths):
    for name in ("pinpoint", "pinpoint, grounded"):
        data = truths[name]
        apart = np.linalg.norm((toes(data, "left") - toes(data, "right"))[:, :2], axis=1)
        t = data.time.values
        rest, bent = (int(np.argmin(np.abs(t - x))) for x in (0.5, data.attrs["event_deepest_bend_s"]))
        assert apart[bent] < 0.6 * apart[rest]
        down = data.planted.sel(foot_point="right_toe").values
        step = (t > 1.2) & (t < 1.45)
        assert down[rest] and down[bent] and not down[step].all()


def test_footwork_that_is_not_there_is_named(academy, wheel):
    entry = replace(academy.serve("clean_right"), style=Style(footwork=("moonwalk",)))
    with pytest.raises(BadInput, match=r"clean_right.*moonwalk"):
        build_serve(wheel, entry)


def test_the_sole_lies_where_its_foremost_vertex_on_the_ground_is(built):
    """By hand: at rest the flat shoe is the rest mesh turned and moved; all of its sole lies on the ground."""
    entry, serve = built["grounded"]
    reach = sole_reach(serve, entry.athlete, 0.5, 0.51)
    dressed = dress(serve.body, entry.athlete)
    skin = Skin(dressed.weights, dressed.vertices_m, dressed.normals)
    v = skin.at(serve.at(np.array([0.5])), 0)[0][np.flatnonzero(shoe_vertices(serve.body, entry.athlete.wear))]
    sole = v[v[:, 2] < 0.004]
    assert reach.sole_y_m == pytest.approx(sole[:, 1].max(), abs=1e-5)
    assert reach.sole_x_m[0] == pytest.approx(sole[:, 0].min(), abs=1e-5)
    assert reach.outline_y_m >= reach.sole_y_m


def test_moving_everything_forward_moves_the_sole_as_far(academy, wheel):
    clean = academy.serve("clean_right")
    moved = replace(clean, style=Style(shift=dict.fromkeys(("front_y", "back_y", "pelvis_y"), 0.017)))
    before, after = (true_sole_clearance(build_serve(wheel, e), e.athlete) for e in (clean, moved))
    assert before - after == pytest.approx(0.017, abs=1e-6)


def test_a_raised_foot_over_the_line_is_no_touch(built):
    """The back foot ends far in the court, in the air at contact: only what touches the ground counts."""
    entry, serve = built["pinpoint"]
    until_contact = sole_reach(serve, entry.athlete, 0.6, 2.05)
    with_landing = sole_reach(serve, entry.athlete, 0.6, 2.6)
    assert until_contact.sole_y_m < 0.02
    assert with_landing.sole_y_m > 0.4
    assert until_contact.t_s < 1.95


def test_a_racket_without_tape_has_none_of_its_colours(built):
    _, serve = built["pinpoint"]
    for tape in (True, False):
        colours = {tuple(c) for c in racket_mesh(serve.grip, tape=tape)[2]}
        assert set(TAPE_COLOURS.values()) <= colours if tape else colours.isdisjoint(TAPE_COLOURS.values())
