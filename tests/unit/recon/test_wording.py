"""Values as a coach reads them, worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from recon import wording
from recon.records import Event, Measure


def measure(value: float, u: float, unit: str = "m", name: str = "x", **more: object) -> Measure:
    return Measure(name, "a label", unit, value, u, value - 1.96 * u, value + 1.96 * u, **more)


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (0.3137, 0.0421, "31 ± 8 cm"),
        (-0.3137, 0.0421, "−31 ± 8 cm"),
        (0.3137, 0.0721, "31 ± 14 cm"),  # 14.42: the first digit is a 1, two are kept
        (0.3137, 0.0142, "31.4 ± 2.8 cm"),
        (0.3137, 0.0149, "31.4 ± 3.0 cm"),
        (0.3137, 0.0176, "31.4 ± 3.5 cm"),
        (0.3137, 0.0178, "31 ± 4 cm"),  # 3.56: one digit from here on
        (2.70, 0.18, "270 ± 40 cm"),
        (0.3137, 0.00497, "31.4 ± 1.0 cm"),  # 0.994
        (0.3137, 0.0499, "31 ± 10 cm"),  # 9.98
        (-0.001, 0.0421, "0 ± 8 cm"),  # no negative zero
    ],
)
def test_lengths(value: float, u: float, text: str) -> None:
    assert wording.value_text(measure(value, u)) == text


def test_angles_are_degrees_without_a_space() -> None:
    assert wording.value_text(measure(np.deg2rad(64.53), np.deg2rad(3.2), "rad")) == "65 ± 6°"


def test_ratio_has_no_unit() -> None:
    assert wording.value_text(measure(1.4836, 0.0121, "1", "contact_height_ratio")) == "1.484 ± 0.024"


def test_one_click_deeper() -> None:
    m = measure(0.3137, 0.0421, sources={"clocks": 0.012, "joint centres": 0.0404, "none": 0.0, "tiny": 1e-4})
    assert wording.detail_text(m) == "31.4 cm, u 4.2 cm"
    assert wording.interval_text(m) == "23.1 to 39.6 cm"
    assert wording.source_texts(m) == [
        ("joint centres", "4.0 cm"),
        ("clocks", "1.2 cm"),
        ("tiny", "under 0.1 cm"),
    ]


def test_absent_value_gives_its_reason_and_no_number() -> None:
    m = Measure("x", "a label", "m", None, reason="no flight was seen")
    assert wording.value_text(m) == "not measured"
    assert wording.detail_text(m) == "no flight was seen"
    assert wording.interval_text(m) == ""
    assert wording.source_texts(m) == []


def test_without_uncertainty_nothing_is_invented() -> None:
    m = Measure("x", "a label", "rad", 1.0, 0.0, 1.0, 1.0)
    assert wording.value_text(m) == "57.3°"
    assert wording.detail_text(m) == "57.3°"


def test_times() -> None:
    assert wording.time_text(1.21666) == "1.217 s"
    assert wording.event_time_text(Event("trophy", 0.98, 0.0061)) == "0.980 ± 0.012 s"
    assert wording.event_time_text(Event("landing", None, None, "not seen")) == "absent"


def test_sizes_limits_ranges_and_estimates() -> None:
    assert (wording.size_text(0.0342, "m"), wording.size_text(0.0, "m")) == ("3.4 cm", "0 cm")
    assert wording.limit_text(np.deg2rad(-12.0), "rad") == "−12°"
    assert wording.range_text(-0.0123, 0.0561, "m") == "−1.2 to 5.6 cm"  # half width 3.4
    assert wording.range_text(-0.0104, 0.1101, "m") == "−1.0 to 11.0 cm"  # 6.0: two digits of the half width
    assert wording.range_text(0.02, 0.02, "m") == "2 cm"
    assert wording.estimate_text(0.3137, 0.0842, "m") == "31 ± 8 cm"
