"""Every calibration of a rig is kept, once, and can be had back."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from calibration.errors import BadInput
from calibration.files import load_rig, save_rig
from calibration.history import calibration_of, calibrations, find_calibration, keep_calibration, kept_rig
from calibration.provenance import content_hash
from tests.support.example_rig import example_rig
from tests.support.rig_worlds import court_cameras

FIRST, SECOND = "2026-03-01T09:00:00+00:00", "2026-06-01T09:00:00+00:00"


@pytest.fixture
def rig_path(tmp_path: Path) -> Path:
    path = tmp_path / "derived" / "calibrated_rig.json"
    save_rig(path, example_rig(court_cameras()))
    return path


def change(rig_path: Path) -> None:
    save_rig(rig_path, replace(load_rig(rig_path), name="another"))


def files_below(path: Path) -> dict[Path, bytes]:
    return {p: p.read_bytes() for p in path.rglob("*") if p.is_file()}


def test_what_is_kept_comes_back_byte_for_byte(rig_path: Path) -> None:
    before = rig_path.read_bytes()
    kept = keep_calibration(rig_path, FIRST, "board and court clicks", {"left": b"a picture"})
    change(rig_path)
    assert kept.path.read_bytes() == before and kept.sha256 == content_hash(kept.path)
    assert (kept.number, kept.date_utc, kept.cause) == (1, FIRST, "board and court clicks")
    assert kept.cameras == ("left", "right", "side")
    assert (kept.worst_u_m, kept.held_out_px, kept.click_rms_px) == (0.004, 0.35, 0.4)
    assert kept.pictures["left"].read_bytes() == b"a picture"
    assert kept_rig(kept).name == "invented example"


def test_the_same_content_is_kept_once_and_never_overwritten(rig_path: Path) -> None:
    keep_calibration(rig_path, FIRST, "board and court clicks", {"left": b"a picture"})
    before = files_below(rig_path.parent)
    again = keep_calibration(rig_path, SECOND, "another cause", {"left": b"another picture"})
    assert again.date_utc == FIRST and files_below(rig_path.parent) == before
    change(rig_path)
    keep_calibration(rig_path, SECOND, "mended left", {"left": b"a picture", "right": b"new"})
    after = files_below(rig_path.parent / "history")
    assert {p: after[p] for p in before if p in after} == {p: b for p, b in before.items() if p in after}
    assert len(list((rig_path.parent / "history" / "pictures").iterdir())) == 2  # one content, one file


def test_the_list_is_in_order_and_knows_the_current_one(rig_path: Path) -> None:
    assert calibrations(rig_path) == () and calibration_of(rig_path) is None
    one = keep_calibration(rig_path, None, "one", {})
    change(rig_path)
    assert calibration_of(rig_path) is None  # not kept yet
    two = keep_calibration(rig_path, SECOND, "two", {})
    assert [c.sha256 for c in calibrations(rig_path)] == [one.sha256, two.sha256]
    current = calibration_of(rig_path)
    assert current is not None and current.sha256 == two.sha256
    inside = calibration_of(one.path)
    assert inside is not None and inside.sha256 == one.sha256


def test_a_calibration_is_found_by_the_beginning_of_its_hash(rig_path: Path) -> None:
    kept = keep_calibration(rig_path, FIRST, "one", {})
    assert find_calibration(rig_path, kept.short).sha256 == kept.sha256
    assert find_calibration(rig_path, kept.sha256.upper()).sha256 == kept.sha256
    for wrong in ("ffffffff", kept.sha256[:2], ""):
        with pytest.raises(BadInput, match=f"got '{wrong}'; there are {kept.short}"):
            find_calibration(rig_path, wrong)


def test_damage_in_the_history_is_named(rig_path: Path) -> None:
    kept = keep_calibration(rig_path, FIRST, "one", {})
    kept.path.write_text(kept.path.read_text().replace("invented example", "invented exampel"))
    with pytest.raises(BadInput, match="no longer that of the calibration that was kept"):
        kept_rig(kept)
    card = kept.path.parent / "calibration.json"
    card.write_text(card.read_text().replace('"cause"', '"reason"'))
    with pytest.raises(BadInput, match=r"calibration\.json: "):
        calibrations(rig_path)
