"""How well the ball is measured: apex, contact, speed, gravity, release, and how often 95 % intervals hold.

    python -m benchmarks.ball_flight --machine "…" --date YYYY-MM-DD [--seeds 20]

Writes into docs/evidence/ball.md.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from benchmarks import pages
from benchmarks.motion_world import cameras_of
from calibration.checks import Array
from recon.flight import HandPath, find_ball, fit_ball, sightings_of
from recon.records import BALL_PARAMETERS
from tests.support.ball_worlds import Filming, InventedToss, filmed, quantities, true_quantities

PAGE = Path(__file__).resolve().parent.parent / "docs" / "evidence" / "ball.md"
ROWS = (
    ("3 cameras", 240.0, 2.0),
    ("3 cameras", 120.0, 2.0),
    ("3 cameras", 120.0, 1.0),
    ("2 cameras", 120.0, 2.0),
)
SEEN_S = {"0.1 s": 0.1, "0.03 s": 0.03}
OPENINGS = ("jump", "even", "slip", "fade")
DRAWS = 60


def one(rig: str, fps: float, sigma_px: float, seen_s: float, seed: int) -> tuple[Array, Array, float] | None:
    """Errors (8,) and u (8,) of one toss, and its gravity; None where no strike was found."""
    rng = np.random.default_rng([11, seed])
    toss = InventedToss(contact_s=1.5 + rng.uniform(0, 1 / fps), velocity_m_s=(rng.normal(0, 0.2), 0.3, 5.4))
    cameras = cameras_of(rig)
    tracks, clocks, _ = filmed(toss, cameras, Filming(fps=fps, sigma_px=sigma_px, gross=0.03), rng)
    seen = sightings_of(cameras, tracks, clocks)
    assert toss.contact_s is not None
    flight = fit_ball(find_ball(seen.where(seen.t_s < toss.contact_s + seen_s)), clocks).flight
    if flight is None or flight.struck_speed_m_s() is None:
        return None
    drawn = [[quantities(f) for f in flight.draws(s, DRAWS, rng)] for s in ("pixels", "air")]
    u = np.sqrt(np.var(drawn, axis=1).sum(axis=0))
    return quantities(flight) - true_quantities(toss), u, flight.gravity_m_s2


def accuracy(seeds: int) -> str:
    """The table of goals."""
    rows = []
    for rig, fps, sigma in ROWS:
        for name, seen_s in SEEN_S.items():
            found = [o for seed in range(seeds) if (o := one(rig, fps, sigma, seen_s, seed)) is not None]
            errors, u, g = (np.array(part) for part in zip(*found, strict=True))
            rms = np.sqrt((errors**2).mean(axis=0))
            place = np.sqrt((errors[:, 4:7] ** 2).sum(axis=1).mean())
            held = np.mean(np.abs(errors) < 1.96 * u)
            rows.append([
                f"{rig}, {fps:.0f}/s, {sigma:g} px, {name}", f"{len(found)}/{seeds}", f"{1e3 * rms[2]:.1f}",
                f"{1e3 * rms[3]:.2f}", f"{1e3 * place:.1f}", f"{rms[7]:.2f}",
                f"{np.sqrt(np.mean((g - 9.81) ** 2)):.3f}", f"{held:.0%}",
            ])  # fmt: skip
    head = ["film, struck ball seen for", "found", "apex height, mm", "contact, ms", "contact point, mm",
            "speed, m/s of 46.5", "gravity, m/s²", "95 % intervals that hold"]  # fmt: skip
    return pages.table(head, rows)


def releases(seeds: int) -> str:
    """The table of release times, by how the hand opens."""
    rows, column = [], BALL_PARAMETERS.index("release_s")
    cameras = cameras_of("3 cameras")
    for opening in OPENINGS:
        cells = [opening]
        for with_hand in (True, False):
            errors, us = [], []
            for seed in range(seeds):
                rng = np.random.default_rng([12, seed])
                toss = InventedToss(opening=opening, release_s=0.6 + rng.uniform(0, 0.008))
                tracks, clocks, _ = filmed(toss, cameras, Filming(sigma_px=1.0), rng)
                t = np.arange(0, 1.7, 1 / 120)
                wrist = toss.hand_at(t) + rng.normal(0, 0.012, 3) + rng.normal(0, 0.006, (len(t), 3))
                found = find_ball(sightings_of(cameras, tracks, clocks))
                flight = fit_ball(found, clocks, hand=HandPath(t, wrist) if with_hand else None).flight
                if flight is not None and flight.release_s is not None:
                    errors.append(flight.release_s - toss.release_s)
                    us.append(np.sqrt(flight.covariance("pixels")[column, column]))
            z = np.array(errors) / np.array(us)
            cells += [f"{1e3 * np.mean(errors):+.0f} ± {1e3 * np.std(errors):.0f}", f"{1e3 * np.mean(us):.0f}",
                      f"{np.mean(np.abs(z) < 1.96):.0%}"]  # fmt: skip
        rows.append(cells)
    told = ["error, ms", "u, ms", "within 1.96 u"]
    head = [
        "the hand's push ends",
        *(f"with the wrist: {t}" for t in told),
        *(f"ball alone: {t}" for t in told),
    ]
    return pages.table(head, rows)


def main() -> None:
    parser = pages.with_options(argparse.ArgumentParser(description=__doc__.splitlines()[0]))
    parser.set_defaults(page=PAGE)
    parser.add_argument("--seeds", type=int, default=20, help="tosses per row (default: %(default)s)")
    options = parser.parse_args()
    about = pages.circumstances(options, ("numpy", "scipy"))
    pages.put(options.page, "accuracy", f"{about}\n\n{accuracy(options.seeds)}")
    pages.put(options.page, "release", f"{about}\n\n{releases(options.seeds)}")


if __name__ == "__main__":
    main()
