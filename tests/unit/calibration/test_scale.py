"""Known lengths: exact on exact clicks, honest on drawn rigs, and naming what is wrong."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration.court.scale import EndClick, check_lengths, read_lengths
from calibration.errors import BadInput, NotMeasurable
from tests.support.line_worlds import TRUE, drawn_rig, rig_of, true_place
from tests.support.rig_worlds import rig_cameras

ENDS = {"a": np.array([-0.4, 0.2, 1.1]), "b": np.array([0.5, 0.3, 1.4])}
LENGTH_M = float(np.linalg.norm(ENDS["b"] - ENDS["a"]))
RIG = rig_of(rig_cameras(TRUE))


def clicked(rng: np.random.Generator, sigma_px: float = 0.0, length_m: float = LENGTH_M) -> list[EndClick]:
    return [
        EndClick(c.name, "bar", end, c.project(x) + rng.normal(0, 1, 2) * sigma_px, length_m, 2e-4)
        for c in TRUE
        for end, x in ENDS.items()
    ]


def test_exact_clicks_give_the_exact_length(rng: np.random.Generator) -> None:
    (check,) = check_lengths(RIG, clicked(rng))
    assert check.measured_m == pytest.approx(LENGTH_M, abs=1e-8)
    assert check.flag is None and abs(check.z) < 1e-3 and 0 < check.u_m < 0.01


def test_u_is_honest() -> None:
    """60 drawn rigs, clicks so fine that the rig matters: the scatter in u is one."""
    rng = np.random.default_rng(3)
    z = [check_lengths(drawn_rig(TRUE, rng), clicked(rng, 0.1), 0.1)[0] for _ in range(60)]
    scatter = np.array([(c.measured_m - LENGTH_M) / c.u_m for c in z])
    assert 0.75 < np.sqrt(np.mean(scatter**2)) < 1.25


def test_a_rig_two_percent_too_large_is_flagged(rng: np.random.Generator) -> None:
    big = tuple(c.placed(replace(c.cam_from_world, t_m=1.02 * c.cam_from_world.t_m)) for c in RIG.cameras)
    (check,) = check_lengths(rig_of(big), clicked(rng, 0.2), 0.2)
    assert check.z > 3 and check.flag is not None and "check the board's square size" in check.flag
    assert check.measured_m / LENGTH_M == pytest.approx(1.02, abs=4 * check.u_m / LENGTH_M)


def test_what_is_missing_or_contradicts_is_named(rng: np.random.Generator) -> None:
    clicks = clicked(rng)
    alone = [c for c in clicks if c.end == "a" or c.camera == "left"]
    with pytest.raises(NotMeasurable, match="bar: end b is clicked in 1 picture"):
        check_lengths(RIG, alone)
    with pytest.raises(BadInput, match="end a is clicked twice in left"):
        check_lengths(RIG, [*clicks, clicks[0]])
    with pytest.raises(BadInput, match="want one length_m and u_m"):
        check_lengths(RIG, [*clicks[:-1], replace(clicks[-1], length_m=2.0)])
    with pytest.raises(BadInput, match="no camera 'top'"):
        check_lengths(RIG, [*clicks, replace(clicks[0], camera="top")])
    with pytest.raises(BadInput, match="want clicks on both ends"):
        check_lengths(RIG, [])
    with pytest.raises(BadInput, match="want a or b"):
        replace(clicks[0], end="tip")


def test_a_file_of_lengths_is_read_and_its_faults_are_named(tmp_path: Path) -> None:
    path = tmp_path / "lengths.csv"
    head = "camera,name,end,u_px,v_px,length_m,u_m\n"
    path.write_text(head + "left,bar,a,10,20.5,1.5,0.001\n\nright,bar,b,11,21,1.5,0.001\n")
    first, second = read_lengths(path)
    assert (first.camera, first.end, first.length_m, second.end) == ("left", "a", 1.5, "b")
    assert first.uv_px.tolist() == [10.0, 20.5]
    path.write_text(head + "left,bar,a,10,x,1.5,0.001\n")
    with pytest.raises(BadInput, match=r"lengths\.csv: line 2: want seven values"):
        read_lengths(path)
    path.write_text("camera,u_px\n")
    with pytest.raises(BadInput, match="line 1: want the columns camera,name,end"):
        read_lengths(path)


def test_the_place_in_the_court_does_not_change_a_length(rng: np.random.Generator) -> None:
    place = true_place()
    moved = tuple(c.placed(c.cam_from_world @ place) for c in RIG.cameras)
    in_court = replace(RIG, frame="court", cameras=moved, covariance=np.zeros_like(RIG.covariance))
    (here,), (there,) = check_lengths(RIG, clicked(rng)), check_lengths(in_court, clicked(rng))
    assert here.measured_m == pytest.approx(there.measured_m, abs=1e-9) and there.u_m < here.u_m
