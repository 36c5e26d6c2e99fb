"""Long videos in, one serve's measures out: the film glimpsed with the real model, cut, and measured.

The film is the demo's INVENTED serve between stretches in which the player stands, in small pictures.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from recon.pipeline import PipelineOptions, cut_serves, measure_session
from recon.windows import WindowOptions
from tests.support.long_film import LongFilm, true_contacts_s, write_session

pytestmark = pytest.mark.timeout(900)

FILM = LongFilm((2.3,), 6.6, {"rear_left": 0.0, "side": 1.17})
SHORT = WindowOptions(before_s=1.4, after_s=0.6)
TOLD = """
[shutter]
side = { readout_ms = 0 }
[clock]
side = { offset_s = 99.0, u_ms = 1e6 }
"""


class BrokenOff(KeyboardInterrupt):
    """As Ctrl-C."""


@pytest.fixture(scope="module")
def long(measured_serve, tmp_path_factory) -> Path:
    clips = {name: measured_serve.session / f"{name}.mp4" for name in FILM.starts_s}
    return write_session(tmp_path_factory.mktemp("film"), FILM, clips, "flash = false\n" + TOLD)


def test_a_long_film_is_cut_and_its_serve_measured(long: Path) -> None:
    def ctrl_c(label: str, _done: int, _total: int) -> None:
        if label == "looking closely":
            raise BrokenOff

    with pytest.raises(BrokenOff):
        cut_serves(long, SHORT, ctrl_c, workers=1)
    kept = {p: p.stat().st_mtime_ns for p in (long / "derived" / "cache").iterdir()}
    assert len(kept) == 2 and all("glimpses-" in p.name for p in kept)
    told: list[tuple[str, int, int]] = []
    cut = cut_serves(long, SHORT, lambda *now: told.append(now), workers=1)
    assert all(p.stat().st_mtime_ns == was for p, was in kept.items())  # it went on where it had stopped
    assert [now for now in told if now[0] == "looking for serves"] == [("looking for serves", 2, 2)]

    (serve,) = cut.serves
    assert serve.contact_s == pytest.approx(true_contacts_s(FILM, "rear_left")[0], abs=0.15)
    assert serve.ball and cut.notes() == ()
    text = tomllib.loads((serve.folder / "session.toml").read_text(encoding="utf-8"))
    assert text["shutter"] == {"side": {"readout_ms": 0.0}} and text["clock"]["side"]["u_ms"] == 1e6
    for name, (low, high) in text["window"].items():
        assert high - low == pytest.approx(2.0, abs=0.002)
        assert low == pytest.approx(serve.contact_s - FILM.offset_s(name, "rear_left") - 1.4, abs=0.03)

    result = measure_session(serve.folder, PipelineOptions(variant="full", pictures=False, workers=1))
    clock = result.clocks.of("side")
    assert abs(clock.offset_s - FILM.offset_s("side", "rear_left")) < max(4 * clock.u_s, 0.003)
    assert result.tracks.of("side").t_cam_s[0] == pytest.approx(text["window"]["side"][0], abs=0.02)
    assert result.events.of("contact").t_s == pytest.approx(true_contacts_s(FILM, "rear_left")[0], abs=0.02)
    assert sorted(p.name for p in serve.folder.iterdir()) == ["derived", "session.toml"]  # no picture is copied
