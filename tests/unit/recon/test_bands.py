"""Published bands: as the sources print them, typed in one place, and not for the young."""

from __future__ import annotations

import re

import numpy as np
import pytest

from calibration import BadInput
from recon.bands import BANDS, Band, band_for, bands_for
from tests.architecture.source_tree import ROOT

DEG = float(np.pi / 180)
PUBLISHED = {
    # Jacquier-Bret & Gorce 2024, Front Sports Act Living 6:1432030, abstract: mean ± standard deviation
    "front_knee_flexion_trophy": (64.5 * DEG, 9.7 * DEG),
    "trunk_inclination_trophy": (25.0 * DEG, 7.1 * DEG),
    "shoulder_elevation_contact": (110.7 * DEG, 16.9 * DEG),
    "elbow_flexion_contact": (30.1 * DEG, 15.9 * DEG),
    # Girard et al. 2005, Med Sci Sports Exerc 37(6):1021-1029, abstract: % of standing height, elite
    "contact_height_ratio": (1.492, 0.027),
}
POINTS = {
    # Fleisig et al. 2003, Sports Biomech 2(1):51-64, abstract; two values: men, women
    "trunk_above_horizontal_contact": [48 * DEG],
    "trunk_turn_speed_before_contact": [0.058, 0.075],
    "pelvis_turn_speed": [440 * DEG],
    "trunk_turn_speed": [870 * DEG],
    "elbow_extension_speed": [1510 * DEG],
    "shoulder_rotation_speed": [2420 * DEG, 1370 * DEG],
}


@pytest.mark.parametrize("name", PUBLISHED)
def test_means_and_spreads_are_the_published_ones(name: str) -> None:
    band, (mean, sd) = band_for(name, 30.0), PUBLISHED[name]
    assert band is not None
    assert (band.value, band.spread) == (pytest.approx(mean), pytest.approx(sd))
    assert (band.low, band.high) == (pytest.approx(mean - sd), pytest.approx(mean + sd))


@pytest.mark.parametrize("name", POINTS)
def test_single_values_are_the_published_ones_and_no_band(name: str) -> None:
    assert [b.value for b in bands_for(name, 30.0)] == pytest.approx(POINTS[name])
    assert all(b.grade == "B" and b.low is None for b in bands_for(name, 30.0))
    assert band_for(name, 30.0) is None


def test_beginners_stand_beside_the_elite() -> None:
    elite, beginners = bands_for("contact_height_ratio", 30.0)
    assert (elite.group, beginners.group) == ("elite players", "beginners")
    assert (beginners.value, beginners.spread) == (pytest.approx(1.426), pytest.approx(0.047))


def test_a_value_of_another_convention_is_shown_and_never_a_limit() -> None:
    shown = bands_for("forearm_lay_back", 30.0)
    assert [b.value for b in shown] == pytest.approx([130.1 * DEG, 172 * DEG])
    assert all(b.grade == "C" and "not to be used as a limit" in b.caution for b in shown)
    assert band_for("forearm_lay_back", 30.0) is None


@pytest.mark.parametrize(
    ("age", "shown"), [(None, False), (8.0, False), (15.99, False), (16.0, True), (70.0, True)]
)
def test_no_band_under_16_or_at_unknown_age(age: float | None, shown: bool) -> None:
    for name in BANDS:
        assert bool(bands_for(name, age)) is shown
    for name in PUBLISHED:
        assert (band_for(name, age) is not None) is shown


def test_there_is_no_band_where_none_was_published() -> None:
    for name in (
        "hip_past_baseline_max",
        "front_foot_turn",
        "spine_plane_min",
        "hip_shoulder_separation_trophy",
    ):
        assert bands_for(name, 30.0) == ()


def test_every_band_says_whom_how_many_and_whence() -> None:
    for band in (b for rows in BANDS.values() for b in rows):
        assert re.search(r"\d", band.sample) and re.search(r"(19|20)\d\d", band.source) and band.grade in "ABC"
        assert band.source in band.text and band.group in band.text
    knee = band_for("front_knee_flexion_trophy", 30.0)
    assert knee is not None and knee.text.startswith("64.5 ± 9.7°, players of published studies (")
    with pytest.raises(BadInput, match="want a unit"):
        Band("x", 1.0, None, "inch", "a", "1", "b", "A")
    with pytest.raises(BadInput, match="positive standard deviation"):
        Band("x", 1.0, 0.0, "deg", "a", "1", "b", "A")


def files_that_type(band: Band) -> set[str]:
    """Files of the program in which the mean and the spread of a band stand close together."""
    shapes = [(band.mean, band.sd)]
    if band.printed_unit == "%" and band.sd is not None:
        shapes.append((band.mean / 100, band.sd / 100))
    patterns = [re.compile(rf"(?<![\d.]){m:g}(?:\.?0)?\D{{1,12}}{s:g}(?!\d)") for m, s in shapes]
    files = [p for part in ("recon", "calibration", "demo_rigs") for p in (ROOT / part).rglob("*")]
    texts = {p: p.read_text("utf-8") for p in files if p.suffix in (".py", ".toml", ".j2", ".json")}
    return {
        p.relative_to(ROOT).as_posix() for p, text in texts.items() if any(x.search(text) for x in patterns)
    }


def test_bands_are_typed_once() -> None:
    typed: set[str] = set()
    for band in (b for rows in BANDS.values() for b in rows if b.sd is not None):
        where = files_that_type(band)
        assert "recon/bands.py" in where, band
        typed |= where
    assert typed == {"recon/bands.py"}
