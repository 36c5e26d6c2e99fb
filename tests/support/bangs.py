"""Invented sound: a bang with ringing and echoes in a room's noise, as WAV or as a video's sound track."""

from __future__ import annotations

import wave
from pathlib import Path

import av
import numpy as np

from calibration.checks import Array

ECHOES = ((0.011, 0.6), (0.023, 0.4), (0.04, 1.3))
"""(later by, seconds; as loud as the bang): the last, as where two walls send theirs together, louder."""


def bang(length_s: float, rate_hz: int, at_s: float, noise: float, rng: np.random.Generator) -> Array:
    """(N,) full scale 0.5. noise: its root mean square over the bang's peak, most of it low."""
    t = np.arange(round(length_s * rate_hz)) / rate_hz
    tones, phases = rng.uniform(1500, 6000, 6), rng.uniform(0, 2 * np.pi, 6)
    out = np.zeros(len(t))
    for later, loud in ((0.0, 1.0), *ECHOES):
        since = np.maximum(t - at_s - later, 0)
        ringing = np.sin(2 * np.pi * tones * since[:, None] + phases).sum(axis=1)
        out += np.where(t >= at_s + later, loud * np.exp(-since / 0.004) * ringing, 0.0)
    white = rng.standard_normal(len(t))
    low = np.convolve(white, np.exp(-np.arange(200) / 40), "same")
    out = out / np.abs(out).max() + noise * (0.7 * low / low.std() + 0.3 * white)
    return np.asarray(0.5 * out / np.abs(out).max())


def save_wav(path: Path, samples: Array, rate_hz: int) -> None:
    """16 bits, one channel."""
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(rate_hz)
        out.writeframes(np.round(32767 * samples).astype("<i2").tobytes())


def save_video_with_sound(
    path: Path, samples: Array, rate_hz: int, *, codec: str, later_s: float = 0.0, fps: int = 30
) -> None:
    """Grey pictures, and the samples beginning later_s after the first of them."""
    with av.open(str(path), mode="w") as out:
        video = out.add_stream("libx264", rate=fps, options={"preset": "ultrafast"})
        video.width, video.height, video.pix_fmt = 64, 48, "yuv420p"
        sound = out.add_stream(codec, rate=rate_hz, layout="mono")
        for _ in range(round(len(samples) / rate_hz * fps)):
            out.mux(video.encode(av.VideoFrame.from_ndarray(np.full((48, 64), 90, np.uint8), format="gray")))
        resampler = av.AudioResampler(format=sound.format, layout="mono", rate=rate_hz)
        for start in range(0, len(samples), 1024):
            piece = samples[None, start : start + 1024].astype(np.float32)
            frame = av.AudioFrame.from_ndarray(piece, format="fltp", layout="mono")
            frame.sample_rate, frame.pts = rate_hz, start + round(later_s * rate_hz)
            for fitting in resampler.resample(frame):
                out.mux(sound.encode(fitting))
        out.mux(sound.encode(None))
        out.mux(video.encode(None))
