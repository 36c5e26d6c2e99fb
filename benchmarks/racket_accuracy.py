"""How far the rigid racket's tip and face lie from the truth, seen, hidden and blurred, on invented serves.

    python -m benchmarks.racket_accuracy --machine "…" --date YYYY-MM-DD [--seeds 10]

Pixels are synthetic: exact projections of the demo's racket with the noise that is named. Writes into
docs/evidence/reconstruction.md.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from benchmarks import pages
from benchmarks.motion_accuracy import PAGE
from benchmarks.motion_honesty import only
from benchmarks.motion_world import Order, Recording, made_serve, record
from calibration.checks import Array
from demo_rigs.motion import MIRROR
from demo_rigs.racket_ball import HEAD_CENTRE_M, HEAD_HALF_M
from recon.instants import points_at_instants
from recon.motion import EdgedRacket, add_edges, fit_motion, hold_lengths, hold_racket, racket_pose
from recon.records import EDGES, RACKET, CameraTracks, PointStatus, Tracks2D

NAMES = (*RACKET, "left_wrist", "right_wrist")
SERVES = ("clean_right", "compensating_left")
DRAWS, HIDDEN_FRAMES = 60, 8
EXPOSURE_S = 1 / 1000
_BEFORE_CONTACT_S = 0.05
_EDGES_LOST, _EDGES_WRONG = 0.3, 0.05


@dataclass(frozen=True, slots=True)
class Case:
    """A line of the table.

    hidden   the tip is for 8 frames, anywhere from trophy to contact
    blurred  its pixels miss by a third of the streak that an exposure of 1 ms draws, along it, and say so
    """

    label: str
    order: Order
    hidden: bool = False
    blurred: bool = False


def cases() -> tuple[Case, ...]:
    """What the table lists."""
    three, two = Order(fps=120.0, sigma_px=1.5), Order(rig="2 cameras", fps=120.0, sigma_px=1.5)
    return (
        Case("3 cameras, 120/s, 1.5 px", three),
        Case("3 cameras, 120/s, 3 px", replace(three, sigma_px=3.0)),
        Case("3 cameras, 240/s, 1.5 px", replace(three, fps=240.0)),
        Case("2 cameras, 120/s, 1.5 px", two),
        Case("3 cameras, 120/s, 1.5 px, tip blurred", three, blurred=True),
        Case("3 cameras, 120/s, 1.5 px, tip hidden", three, hidden=True),
        Case("2 cameras, 120/s, 1.5 px, tip hidden", two, hidden=True),
        Case("3 cameras, 120/s, 3 px, tip hidden", replace(three, sigma_px=3.0), hidden=True),
    )


def moments(recording: Recording) -> tuple[int, int]:
    """Samples of trophy (tossing hand highest) and of the racket's lowest point before contact, in truth."""
    tip, before = recording.xyz_m[: recording.contact, NAMES.index("racket_tip"), 2], recording.contact
    low = np.flatnonzero((tip[1:-1] < tip[:-2]) & (tip[1:-1] <= tip[2:])) + 1
    drop = int(low[-1])
    hands = recording.xyz_m[:before, [NAMES.index("left_wrist"), NAMES.index("right_wrist")], 2]
    trophy = int(hands.max(axis=1)[:drop].argmax())
    return trophy, drop


def spoilt(recording: Recording, case: Case, rng: np.random.Generator) -> tuple[Recording, slice]:
    """The recording with its tip hidden or blurred, and when it is hidden."""
    trophy, _ = moments(recording)
    first = int(rng.integers(trophy, recording.contact - HIDDEN_FRAMES))
    gone = slice(first, first + HIDDEN_FRAMES) if case.hidden else slice(0, 0)
    p, cameras = NAMES.index("racket_tip"), []
    for seen in recording.tracks.cameras:
        uv, sigma = seen.uv_px.copy(), seen.sigma_px.copy()
        if case.blurred:
            rate = np.gradient(uv[:, p], seen.t_cam_s, axis=0) * EXPOSURE_S / 3
            uv[:, p] += rate * rng.standard_normal((len(uv), 1))
            sigma[:, p] = np.hypot(sigma[:, p], np.linalg.norm(rate, axis=1) / np.sqrt(2))
        uv[gone, p], sigma[gone, p] = np.nan, np.nan
        cameras.append(CameraTracks(seen.camera, seen.size_px, seen.t_cam_s, uv, sigma))
    tracks = recording.tracks
    return replace(
        recording, tracks=Tracks2D(tracks.keypoints, tuple(cameras), tracks.source, tracks.noise)
    ), gone


def edges_m(serve: str, t_s: Array) -> Array:
    """(T, 2, 3) both sides of the demo's racket head at scene times."""
    made = made_serve(serve)
    moment, hand = made.at(t_s), made.body.index("wrist.R")
    at = made.grip.points(np.full(2, HEAD_CENTRE_M), across_m=np.array([1.0, -1.0]) * HEAD_HALF_M[0])
    x = np.einsum("tij,pj->tpi", moment.bone_R[:, hand], at) + moment.bone_t_m[:, None, hand]
    return np.asarray(x * MIRROR if moment.mirrored else x)


def filmed_edges(recording: Recording, order: Order, rng: np.random.Generator) -> Tracks2D:
    """Pairs of edge patches in any order: some not seen, some elsewhere."""
    cameras = []
    for camera, seen in zip(recording.cameras, recording.tracks.cameras, strict=True):
        uv = camera.project(edges_m(order.serve, seen.t_cam_s))
        uv = uv + order.sigma_px * rng.standard_normal(uv.shape)
        turned, wrong = rng.random(len(uv)) < 0.5, rng.random(uv.shape[:2]) < _EDGES_WRONG
        uv[turned] = uv[turned, ::-1]
        uv[wrong] += rng.normal(0, 60, (int(wrong.sum()), 2))
        lost = rng.random(uv.shape[:2]) < _EDGES_LOST
        uv[lost] = np.nan
        sigma = np.where(lost, np.nan, order.sigma_px)
        cameras.append(CameraTracks(camera.name, camera.size_px, seen.t_cam_s, uv, sigma))
    return Tracks2D(EDGES, tuple(cameras), "invented")


def judged(case: Case, seed: int) -> Mapping[str, Array]:
    """Errors of one recording: tip in mm by phase, misses in sigmas, face in degrees."""
    order = replace(case.order, serve=SERVES[seed % 2], offsets_s=(0.0, 0.003, 0.005))
    rng = np.random.default_rng([seed, 41])
    recording, gone = spoilt(only(record(order, seed), NAMES), case, rng)
    cameras, tracks, clocks = recording.cameras, recording.tracks, recording.clocks
    motion, support = fit_motion(cameras, tracks, clocks, points_at_instants(cameras, tracks, clocks))
    held = hold_lengths(motion, support.covariance(), support.draws(DRAWS, seed), seed)
    racket = hold_racket(held, support, seed=seed)
    motion, true = racket.held.motion, recording.at(racket.held.motion.t_s)
    p = motion.index("racket_tip")
    off = motion.xyz_m[:, p] - true.xyz_m[:, p]
    mm = 1e3 * np.linalg.norm(off, axis=1)
    sigmas = off / np.sqrt(np.einsum("tii->ti", motion.cov_m2[:, p]))
    trophy, drop = (recording.t_s[k] for k in moments(recording))
    contact = recording.t_s[recording.contact]
    seen = motion.status[:, p] == PointStatus.OK
    inferred = ~seen & (motion.t_s >= recording.t_s[gone.start]) if case.hidden else np.zeros_like(seen)
    found = add_edges(
        cameras, filmed_edges(recording, order, rng), clocks, motion, racket.held.draws_m, support.sigma_px,
        racket.shape, seed,
    )  # fmt: skip
    out = {
        "drop": mm[seen & (motion.t_s >= trophy) & (motion.t_s <= drop)],
        "contact": mm[seen & (motion.t_s >= contact - _BEFORE_CONTACT_S) & (motion.t_s <= contact)],
        "inferred": mm[inferred],
        "sigmas": sigmas[seen].ravel(), "inferred sigmas": sigmas[inferred].ravel(),
    }  # fmt: skip
    if isinstance(found, EdgedRacket):
        pose = racket_pose(found.motion, found.draws_m)
        ends = edges_m(order.serve, motion.t_s)
        normal = np.cross(
            ends[:, 0] - ends[:, 1], true.xyz_m[:, p] - true.xyz_m[:, motion.index("racket_butt")]
        )
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        if pose is not None:
            out["face"] = np.degrees(np.arccos(np.minimum(np.abs((pose.normal * normal).sum(axis=1)), 1.0)))
    return out


def row(case: Case, seeds: int) -> list[str]:
    """One line of the table."""
    found = [judged(case, seed) for seed in range(seeds)]

    def of(name: str) -> Array:
        values = np.concatenate([f[name] for f in found if name in f])
        return np.asarray(values[np.isfinite(values)])

    def median(name: str, unit: str) -> str:
        values = of(name)
        if not len(values):
            return "–"
        return f"{np.median(values):.1f} {unit} ({np.percentile(values, 95):.1f})"

    def rms(name: str) -> str:
        return f"{np.sqrt(np.mean(of(name) ** 2)):.2f}" if len(of(name)) else "–"

    return [
        case.label, median("drop", "mm"), median("contact", "mm"), median("inferred", "mm"),
        f"{rms('sigmas')}; {rms('inferred sigmas')}", median("face", "°"),
    ]  # fmt: skip


def main() -> None:
    parser = pages.with_options(argparse.ArgumentParser(description=__doc__.splitlines()[0]))
    parser.set_defaults(page=PAGE)
    parser.add_argument("--seeds", type=int, default=10, help="recordings per line (default: %(default)s)")
    options = parser.parse_args()
    heads = [
        "racket, synthetic pixels", "tip, trophy to drop", "tip, last 50 ms before contact", "tip while hidden",
        "rms of error / u: measured; inferred", "normal of the face",
    ]  # fmt: skip
    said = pages.circumstances(options, ("numpy", "scipy", "numba"))
    text = (
        f"{pages.table(heads, [row(case, options.seeds) for case in cases()])}\n\n"
        f"Median (95th percentile) over {options.seeds} recordings a line, of measured instants but for the "
        f"hidden ones. {said}"
    )
    print(text)
    pages.put(options.page, "racket", text)


if __name__ == "__main__":
    main()
