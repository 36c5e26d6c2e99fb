"""How wrong a racket's tip is that was filled in between clicks: rendered serves without tape, true places.

`python -m benchmarks.racket_points --machine "…" --date …` writes its tables into the page on racket points.
Both serves of the invented academy, three cameras each, the racket's tapes painted like its frame; a "click" is
the true place and seeded noise of 2 px. Followed: from trophy to contact. On the curve: from trophy to just
after the racket's low point, for clicks as near to each other as it is used for.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from benchmarks.pages import circumstances, put, table, with_options
from calibration.checks import Array
from calibration.footage import frames
from demo_rigs import appearance
from demo_rigs.court_scene import background
from demo_rigs.description import Academy, load_academy
from demo_rigs.truth import write_truth
from recon.assets import body_wheel
from recon.keypoints import FillOptions, Known, curve_between, fill_between
from recon.keypoints.fill import Grey

PAGE = Path(__file__).resolve().parent.parent / "docs" / "evidence" / "racket-points.md"
WORK = Path("build/racket_points")
NOISE_PX = 2.0
EVERY = (3, 5, 8, 11, 14)  # frames from click to click
FPS = 120
_AROUND_S = 0.06


@dataclass(frozen=True, slots=True, eq=False)
class Film:
    """One camera's view of one serve: grey frames, and where the tip truly is in them (N, 2)."""

    serve: str
    camera: str
    t_s: Array
    pictures: list[Grey]
    tip_px: Array
    low: int


@dataclass(frozen=True, slots=True)
class Missed:
    """Errors per axis and stated u of filled places (N,), and of how many places were to be filled."""

    error_px: Array
    u_px: Array
    of: int

    def row(self, label: str) -> list[str]:
        """Of the page's tables."""
        z = np.abs(self.error_px / self.u_px)
        share = f"{len(self.u_px) / 2 / self.of:.0%}"
        rms, u = (f"{np.sqrt(np.mean(x**2)):.1f}" for x in (self.error_px, self.u_px))
        return [label, share, rms, u, f"{np.sqrt(np.mean(z**2)):.2f}", f"{np.mean(z < 1.96):.0%}"]


def films(academy: Academy) -> Iterator[Film]:
    """Every view, filmed where it is not there yet."""
    from demo_rigs.serve_footage import film_serve  # the renderer loads only where it is needed

    for name in appearance.TAPE_COLOURS:
        appearance.TAPE_COLOURS[name] = appearance._FRAME
    for entry in academy.serves:
        truth = WORK / f"{entry.name}.nc"
        if not truth.is_file():
            write_truth(academy, entry, body_wheel(), truth)
        with xr.open_dataset(truth, engine="h5netcdf") as data:
            t, at = data["time"].values, dict(data.attrs)
            tip = data["xyz_m"].sel(keypoint="racket_tip").values
        start, stop = float(at["event_trophy_s"]) - _AROUND_S, float(at["event_contact_s"])
        brief = replace(
            entry, starts_s=dict.fromkeys(academy.cameras, start), ends_s=dict.fromkeys(academy.cameras, stop)
        )
        for camera in academy.cameras:
            path = WORK / f"{entry.name}_{camera}.mp4"
            if not path.is_file():
                scene = background(academy.cameras[camera], academy.seed)
                film_serve(academy, brief, camera, scene, body_wheel(), path, lambda _done, _of: None)
            shown = [(f.t_s, cv2.cvtColor(f.image_bgr, cv2.COLOR_BGR2GRAY)) for f in frames(path)]
            times = np.array([s for s, _ in shown]) + start
            true = np.stack([np.interp(times, t, tip[:, d]) for d in range(3)], axis=1)
            uv = academy.cameras[camera].project(true)
            low = int(np.abs(times - float(at["event_racket_low_point_s"])).argmin())
            yield Film(entry.name, camera, times, [np.asarray(p, dtype=np.uint8) for _, p in shown], uv, low)


def clicked(
    film: Film, every: int, start: int, last: int, rng: np.random.Generator
) -> tuple[NDArray[np.int_], Array]:
    """Frames (K,) and places (K, 2) of clicks."""
    at = np.arange(start, last, every)
    return at, film.tip_px[at] + NOISE_PX * rng.standard_normal((len(at), 2))


def followed(film: Film, every: int, rng: np.random.Generator) -> Missed:
    """What flow fills in, clicks being so many frames apart."""
    error, u, of = [], [], 0
    for start in range(0, every, max(1, every // 3)):
        at, px = clicked(film, every, start, len(film.t_s), rng)
        guess = CubicSpline(film.t_s[at], px)(film.t_s)
        for i in range(len(at) - 1):
            part = slice(at[i], at[i + 1] + 1)
            ends = (Known(px[i], NOISE_PX), Known(px[i + 1], NOISE_PX))
            way = fill_between(film.pictures[part], guess[part], *ends)
            there = ~np.isnan(way.sigma_px)
            error.append((way.uv_px - film.tip_px[part])[there].ravel())
            u.append(np.repeat(way.sigma_px[there], 2))
            of += every - 1
    return Missed(np.concatenate(error), np.concatenate(u), of)


def curved(film: Film, every: int, inner: bool, rng: np.random.Generator) -> Missed:
    """What the curve through the clicks says, with a click beyond both ends or beyond one only."""
    error, u, of = [], [], 0
    sigma = np.full(4, NOISE_PX)
    for start in range(every):
        at, px = clicked(film, every, start, film.low + round(_AROUND_S * FPS), rng)
        for i in range(len(at) - 1):
            near = np.arange(i - 1, i + 3) if inner else np.arange(3) + (i if i + 2 < len(at) else i - 1)
            if near[0] < 0 or near[-1] >= len(at):
                continue
            t = film.t_s[at[i] + 1 : at[i + 1]]
            first = int(i - near[0])
            way = curve_between(t, film.t_s[at[near]], px[near], sigma[: len(near)], first)
            error.append((way.uv_px - film.tip_px[at[i] + 1 : at[i + 1]]).ravel())
            u.append(np.repeat(way.sigma_px, 2))
            of += every - 1
    return Missed(np.concatenate(error), np.concatenate(u), of)


def together(parts: list[Missed]) -> Missed:
    """Of all views."""
    return Missed(
        np.concatenate([p.error_px for p in parts]),
        np.concatenate([p.u_px for p in parts]),
        sum(p.of for p in parts),
    )


_HEAD = ("clicks apart", "filled", "error, px", "u, px", "error / u, rms", "within 1.96 u")


def main() -> None:
    """Measure and write the page."""
    options = with_options(argparse.ArgumentParser(description=__doc__)).parse_args()
    page = PAGE if options.page.name == "calibration.md" else options.page
    WORK.mkdir(parents=True, exist_ok=True)
    views = list(films(load_academy()))
    rows = []
    for every in EVERY:
        rng = np.random.default_rng(every)
        label = f"{every} frames ({1e3 * every / FPS:.0f} ms)"
        rows.append(together([followed(v, every, rng) for v in views]).row(label))
    curve = []
    for inner, beyond in ((True, "clicks beyond both ends"), (False, "clicks beyond one end")):
        for every in (4, 6, round(FillOptions().curve_reach_s * FPS)):
            rng = np.random.default_rng(every)
            label = f"{every} frames ({1e3 * every / FPS:.0f} ms), {beyond}"
            curve.append(together([curved(v, every, inner, rng) for v in views]).row(label))
    said = circumstances(options, ("numpy", "opencv-contrib-python"))
    put(page, "followed", f"{table(_HEAD, rows)}\n\n{said}")
    put(page, "curve", f"{table(_HEAD, curve)}\n\n{said}")


if __name__ == "__main__":
    main()
