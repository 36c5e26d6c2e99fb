"""The demo's rendered clips with INVENTED sound: the contact as each camera's microphone would hear it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
import xarray as xr

from calibration.checks import Array
from calibration.footage import probe
from demo_rigs.description import load_academy
from tests.support.bangs import bang


@dataclass(frozen=True)
class Hearing:
    """How the contact is heard: samples a second, coder, the file's ending, noise over the bang's peak."""

    rate_hz: int = 48000
    codec: str = "aac"
    ending: str = "mp4"
    noise: float = 0.02


def arrivals_s(truth: Path, serve: str, air_c: float) -> dict[str, float]:
    """Camera -> when the contact of a rendered serve is heard there, on its own clock.

    Sound goes 331.3 m/s at 0 °C and faster with the root of the temperature (CRC Handbook, from memory), which
    are not the constants that the program counts with.
    """
    academy = load_academy()
    speed = 331.3 * np.sqrt(1 + air_c / 273.15)
    with xr.open_dataset(truth / f"{serve}.nc") as data:
        t = float(data.attrs["event_contact_s"])
        ball = data["xyz_m"].sel(keypoint="ball").interp(time=t).to_numpy()
    starts = academy.serve(serve).starts_s
    return {
        name: t - starts[name] + float(np.linalg.norm(camera.centre_m() - ball)) / speed
        for name, camera in academy.cameras.items()
    }


def true_offset_s(serve: str, camera: str, reference: str) -> float:
    """By how much rig time, the reference's, is ahead of a camera's."""
    starts = load_academy().serve(serve).starts_s
    return starts[camera] - starts[reference]


def with_sound(clip: Path, path: Path, samples: Array, hearing: Hearing) -> None:
    """The clip's own coded pictures, and beside them a sound track that begins with the first of them."""
    with av.open(str(clip)) as source, av.open(str(path), "w") as out:
        pictures = source.streams.video[0]
        copied = out.add_stream_from_template(pictures)
        sound = out.add_stream(hearing.codec, rate=hearing.rate_hz, layout="mono")
        for packet in source.demux(pictures):
            if packet.dts is not None:
                packet.stream = copied
                out.mux(packet)
        resampler = av.AudioResampler(format=sound.format, layout="mono", rate=hearing.rate_hz)
        for start in range(0, len(samples), 1024):
            piece = samples[None, start : start + 1024].astype(np.float32)
            frame = av.AudioFrame.from_ndarray(piece, format="fltp", layout="mono")
            frame.sample_rate, frame.pts = hearing.rate_hz, start
            for fitting in resampler.resample(frame):
                out.mux(sound.encode(fitting))
        out.mux(sound.encode(None))


def sounded_session(
    folder: Path, measured: Path, truth: Path, hearing: Hearing, rng: np.random.Generator,
    skew_u_ms: float | None, air: tuple[float, float] = (24.0, 3.0),
) -> Mapping[str, float]:  # fmt: skip
    """A session of a rendered serve's exported points, its videos given sound. Returns each camera's skew, s.

    skew_u_ms  u of the skews, as told: they are drawn from it around 0; None: not told, and drawn from 30 ms
    air        temperature as told, and its u: the true one is drawn
    """
    folder.mkdir(parents=True, exist_ok=True)
    heard = arrivals_s(truth, measured.name, float(rng.normal(*air)))
    skews = {name: float(rng.normal(0, (30.0 if skew_u_ms is None else skew_u_ms) / 1e3)) for name in heard}
    videos, told = [], []
    for name, at_s in heard.items():
        clip = measured / f"{name}.mp4"
        length = probe(clip).duration_s or 0.0
        samples = bang(length, hearing.rate_hz, at_s + skews[name], hearing.noise, rng)
        with_sound(clip, folder / f"{name}.{hearing.ending}", samples, hearing)
        videos.append(f'{name} = "{name}.{hearing.ending}"')
        told.append(f"{name} = {{ u_ms = {skew_u_ms} }}" if skew_u_ms is not None else f"{name} = {{}}")
    rig, points = measured.parent / "rig", measured / "derived" / "keypoints.csv"
    lines = [
        f'rig = "{rig.resolve().as_posix()}"', f'keypoints = "{points.resolve().as_posix()}"',
        'handedness = "right"', 'keypoints_mode = "quick"', f"cameras = {json.dumps(list(heard))}",
        "[video]", *videos, "[sound]", f"air_c = {air[0]}", f"u_air_c = {air[1]}", "[sound.camera]", *told,
    ]  # fmt: skip
    (folder / "session.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return skews
