"""How well the sound of the contact tells the clocks of a rendered serve: real files, the real chain.

    python -m benchmarks.sound_clock MEASURED TRUTH --machine "…" --date YYYY-MM-DD [--seeds 20] [--work FOLDER]

MEASURED is the session folder of a rendered serve after `courtplumb measure` and `courtplumb export`, TRUTH the
folder with what the renderer knew. Its videos are given a sound track: the contact, later by the way from the
ball to each camera at a drawn air temperature and by a drawn skew of each device, with ringing, echoes and
noise. The points are those that the detector found. Writes into docs/evidence/reconstruction.md.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from benchmarks import pages
from benchmarks.motion_accuracy import PAGE
from calibration.checks import Array
from calibration.errors import NotMeasurable
from recon.pipeline import PipelineOptions, measure_session
from recon.pipeline.clock_sources import heard_contact
from recon.records import Clocks
from recon.result import Result, load_result
from recon.session import load_session
from tests.support.sounded import Hearing, sounded_session, true_offset_s

ROWS: Mapping[str, tuple[Hearing, float | None]] = {
    "48 kHz, AAC in MP4, skew known to 0.5 ms": (Hearing(), 0.5),
    "44.1 kHz, AAC in MP4, skew known to 0.5 ms": (Hearing(rate_hz=44100), 0.5),
    "48 kHz, PCM in MOV, skew known to 0.5 ms": (Hearing(codec="pcm_s16le", ending="mov"), 0.5),
    "44.1 kHz, PCM in MOV, skew known to 0.5 ms": (
        Hearing(rate_hz=44100, codec="pcm_s16le", ending="mov"), 0.5),
    "48 kHz, AAC in MP4, noise 10 %, skew known to 0.5 ms": (Hearing(noise=0.1), 0.5),
    "48 kHz, AAC in MP4, skew known to 2 ms": (Hearing(), 2.0),
    "48 kHz, AAC in MP4, skew not told": (Hearing(), None),
}  # fmt: skip


def by_sound(folder: Path, measured: Result) -> tuple[Array, Array]:
    """Errors of the offsets that sound alone tells, and their stated u, seconds; empty where it tells none."""
    serve = measured.session.folder.name
    try:
        said = heard_contact(load_session(folder), measured.rig.cameras, measured.tracks, measured.clocks)
    except NotMeasurable:
        return np.zeros(0), np.zeros(0)
    reference, *others = said.cameras
    found = said.t_cam_s[0] - said.t_cam_s[1:]
    true = np.array([true_offset_s(serve, name, reference) for name in others])
    C = said.covariance
    return found - true, np.sqrt(C[0, 0] + np.diag(C)[1:] - 2 * C[0, 1:])


def offsets_off(clocks: Clocks, serve: str) -> tuple[Array, Array]:
    """Errors and u of the clocks against the truth."""
    own = [c for c in clocks.clocks if c.camera != clocks.reference]
    off = [c.offset_s - true_offset_s(serve, c.camera, clocks.reference) for c in own]
    return np.array(off), np.array([c.u_s for c in own])


def row(name: str, sound: list[tuple[Array, Array]], both: list[tuple[Array, Array]]) -> list[str]:
    """One line of the table, from what each seed gave and what measuring whole sessions did."""
    off, u = (np.concatenate([s[k] for s in sound]) for k in range(2))
    all_off, all_u = (np.concatenate([s[k] for s in both]) for k in range(2))

    def ms(x: Array) -> str:
        return f"{1e3 * np.sqrt(np.mean(x**2)):.2f}"

    heard = sum(len(s[0]) > 0 for s in sound)
    return [
        name, f"{heard} of {len(sound)}", ms(off), f"{1e3 * np.abs(off).max():.2f}", ms(u),
        f"{np.sqrt(np.mean((off / u) ** 2)):.2f}", ms(all_off), ms(all_u),
    ]  # fmt: skip


def main() -> None:
    parser = pages.with_options(argparse.ArgumentParser(description=__doc__.splitlines()[0]))
    parser.add_argument("serve", type=Path, metavar="MEASURED")
    parser.add_argument("truth", type=Path, metavar="TRUTH")
    parser.add_argument("--seeds", type=int, default=20, help="sessions per row (default: %(default)s)")
    parser.add_argument("--measured", type=int, default=3, help="of them measured whole (default: %(default)s)")
    parser.add_argument("--work", type=Path, help="where sessions are written (default: a temporary folder)")
    parser.set_defaults(page=PAGE)
    options = parser.parse_args()
    measured = load_result(options.serve)
    alone, alone_u = offsets_off(measured.clocks, options.serve.name)
    print("motion alone, ms:", 1e3 * alone, 1e3 * alone_u)
    rows = []
    for name, (hearing, skew_u_ms) in ROWS.items():
        sound, both = [], []
        for seed in range(options.seeds):
            with tempfile.TemporaryDirectory(dir=options.work) as place:
                folder = Path(place) / options.serve.name
                rng = np.random.default_rng([seed, 5])
                sounded_session(folder, options.serve, options.truth, hearing, rng, skew_u_ms)
                sound.append(by_sound(folder, measured))
                if seed < options.measured:
                    result = measure_session(folder, PipelineOptions(pictures=False))
                    both.append(offsets_off(result.clocks, options.serve.name))
        rows.append(row(name, sound, both))
        print(rows[-1], flush=True)
    heads = [
        f"{options.seeds} sessions a row, 3 cameras", "heard", "sound alone: rms ms", "largest ms",
        "stated u ms", "rms of error / u", f"clocks of {options.measured} measured: rms ms", "their u ms",
    ]  # fmt: skip
    first = (
        f"The motion alone tells these clocks wrong by {1e3 * np.sqrt(np.mean(alone**2)):.2f} ms (root mean "
        f"square) and states {1e3 * np.sqrt(np.mean(alone_u**2)):.2f} ms."
    )
    where = pages.circumstances(options, ("numpy", "scipy", "av"))
    text = f"{pages.table(heads, rows)}\n\n{first}\n\n{where}"
    pages.put(options.page, "sound clocks", text)


if __name__ == "__main__":
    main()
