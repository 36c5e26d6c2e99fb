"""`courtplumb plan` from the file to tables and pictures."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import pytest
from typer.testing import CliRunner

from recon.cli import app
from recon.planning import Planner, load_plan
from recon.planning.picture_places import places_figure
from recon.planning.pictures import save
from tests.unit.recon.test_planning import text_of, written


@pytest.mark.timeout(120)
def test_the_command_prints_and_writes_everything(tmp_path: Path) -> None:
    more = "[[camera.allowed]]\nat_m = [9.0, 0.0, 2.6]"
    path = written(tmp_path, text_of(more=more))
    done = CliRunner().invoke(app, ["plan", str(path), "--out", str(tmp_path / "out")])
    assert done.exit_code == 0, done.output
    for words in (
        "As planned",
        "After the moves",
        "exposure at most",
        "shared board views",
        "Stands, guy lines",
    ):
        assert words in done.output
    held = json.loads((tmp_path / "out" / "forecast.json").read_text("utf-8"))
    assert held["moves"][0]["camera"] == "side" and held["suggested"]["cameras"]["side"] == [9.0, 0.0, 2.6]
    assert all(m["rig_u"] < m["u"] for m in held["suggested"]["measures"])
    pictures = [
        cv2.imread(str(tmp_path / "out" / name)) for name in ("places.png", "serve.png", "suggestions.png")
    ]
    assert all(p is not None and p.shape[1] > 1200 and p.std() > 20 for p in pictures)


def test_the_same_plan_gives_the_same_bytes(tmp_path: Path) -> None:
    planner = Planner(load_plan(written(tmp_path, text_of())))
    forecast = planner.forecast(planner.first_choice())
    for name in ("one.png", "two.png"):
        save(places_figure(planner, forecast), tmp_path / name)
    assert (tmp_path / "one.png").read_bytes() == (tmp_path / "two.png").read_bytes()
