"""A new day without a board: kept lenses, today's pictures, clicks on the page, a rig in the court."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calibration import Camera, court_point, load_rig, read_clicks, run_court
from tests.end_to_end.conftest import command, succeed
from tests.support.chromium import browser
from tests.support.clicking import clicking_page
from tests.support.example_result import example_cameras
from tests.support.example_rig import save_lens_only_rig_folder

_CAMERAS = {c.name: c for c in example_cameras()}


def visible(camera: Camera) -> dict[str, np.ndarray]:
    """Named points that this camera sees, and where."""
    size = np.array(camera.size_px)
    out = {}
    for name in _NAMES:
        uv = camera.project(np.array(court_point(name).xyz_m))
        if np.isfinite(uv).all() and (uv > 5).all() and (uv < size - 6).all():
            out[name] = uv
    return out


_NAMES = (
    "baseline_centre", "baseline_left_singles", "baseline_right_singles", "baseline_left_doubles",
    "baseline_right_doubles", "service_left_singles", "service_right_singles", "service_centre",
    "net_left_doubles", "net_right_doubles", "far_service_left_singles", "far_service_right_singles",
    "far_service_centre", "far_baseline_centre", "net_centre_top",
)  # fmt: skip


def click(page: Any, camera: str, point: str, uv: np.ndarray) -> None:
    """Ask for the point and click where it is, to a screen pixel."""
    page.locator(f"nav [data-camera={camera}]").click()
    page.locator(f"#points [data-point={point}]").click()
    box = page.locator("#picture image").bounding_box()
    assert box is not None
    width, height = _CAMERAS[camera].size_px
    x = box["x"] + (uv[0] + 0.5) * box["width"] / width
    y = box["y"] + (uv[1] + 0.5) * box["height"] / height
    page.mouse.click(x, y)


@pytest.fixture
def today(tmp_path: Path) -> Path:
    """A rig folder made by the command from an earlier one and a folder of pictures."""
    save_lens_only_rig_folder(tmp_path / "earlier", example_cameras())
    said = succeed(
        "new-day", tmp_path / "earlier", tmp_path / "today", "--pictures", tmp_path / "earlier" / "court"
    )
    assert "rear_left, rear_right, side" in said
    return tmp_path / "today"


@pytest.mark.timeout(180)
def test_from_pictures_to_a_rig_by_clicks_alone(today: Path, tmp_path: Path) -> None:
    with (
        browser(tmp_path / "profile") as context,
        clicking_page(today, partial(run_court, today), context) as seen,
    ):
        page = seen.page
        wanted = page.locator("#wanted")
        assert wanted.inner_text().startswith("Points still needed: rear left 4, rear right 4, side 4")
        click(page, "rear_left", "baseline_centre", visible(_CAMERAS["rear_left"])["baseline_centre"])
        page.wait_for_function("document.querySelector('#wanted').textContent.includes('rear left 3')")
        page.locator("#register").click()
        page.wait_for_selector("#result.fault")
        assert (
            "rear_left has 1 of the 4 points that it needs at least (better 8)"
            in page.locator("#result").inner_text()
        )
        for name, camera in _CAMERAS.items():
            for point, uv in visible(camera).items():
                click(page, name, point, uv)
        assert wanted.inner_text() == "Enough to register. Better, if they can be seen: side 4 more."
        page.locator("#register").click()
        page.wait_for_function("document.querySelector('#result').textContent.startsWith('Registered')")
        result = page.locator("#result").inner_text()
        assert "At the player, calibration alone leaves" in result
        page.screenshot(path=str(tmp_path / "page.png"))
    rig = load_rig(today / "derived" / "calibrated_rig.json")
    assert rig.frame == "court" and rig.board_views == 0 and rig.names == tuple(_CAMERAS)
    for camera in rig.cameras:
        off_m = np.linalg.norm(camera.centre_m() - _CAMERAS[camera.name].centre_m())
        assert off_m < 0.02, camera.name  # the page takes fractions of a screen pixel: the clicks are exact
    assert len(read_clicks(today / "court_clicks.csv")) == sum(len(visible(c)) for c in _CAMERAS.values())
    done = command("court", today, "--clicks", today / "court_clicks.csv")
    assert done.returncode == 0 and "anywhere in the serve volume to" in done.stdout


def test_a_new_day_asks_for_what_is_missing(tmp_path: Path) -> None:
    save_lens_only_rig_folder(tmp_path / "earlier", example_cameras())
    (tmp_path / "earlier" / "court" / "side.png").rename(tmp_path / "earlier" / "court" / "sidewards.png")
    words = ("new-day", tmp_path / "earlier", tmp_path / "today", "--pictures", tmp_path / "earlier" / "court")
    done = command(*words)
    assert done.returncode == 2 and "want one picture or video named side, got none" in done.stderr
    assert not (tmp_path / "today").exists()
    (tmp_path / "earlier" / "court" / "sidewards.png").rename(tmp_path / "earlier" / "court" / "side.png")
    assert command(*words).returncode == 0
    done = command(*words)
    assert done.returncode == 2 and "is a rig folder already" in done.stderr
