"""Sound beside pictures: one channel of samples on the clock of the file's own pictures."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput

_U_START_S, _U_START_LOSSY_S = 0.0005, 0.001
"""Of stamps in whole milliseconds, and of sound whose coding smears what is sudden: measured on invented bangs
(tests/unit/recon/test_sound.py)."""
_RUN_UP_S = 0.5  # a lossy coder's first pieces after a jump lean on what it did not hear
_LOSSLESS = ("pcm", "flac", "alac")


@dataclass(frozen=True, slots=True, eq=False)
class SoundTrack:
    """The mean of all channels.

    samples (N,)  full scale is 1
    start_s       time of the first sample since the file's first picture; of a file without pictures, since
                  its first sample
    u_start_s     its standard uncertainty: many files keep such times in whole milliseconds, and lossy coding
                  smears; 0 of a file without pictures, which has no other clock
    """

    samples: Array
    rate_hz: float
    start_s: float
    u_start_s: float

    def times_s(self) -> Array:
        """(N,) time of every sample."""
        return np.asarray(self.start_s + np.arange(len(self.samples)) / self.rate_hz)


def sound_track(path: Path | str, within_s: tuple[float, float] | None = None) -> SoundTrack:
    """The first sound track of a video, or a sound file such as WAV. Gaps of the track are silent.

    within_s: the stretch that is wanted, on the clock of start_s; the rest of a long file is not read, and a
    stretch in which nothing was recorded is empty. None: all of it.
    Raises BadInput where the file is missing or unreadable, or has no sound.
    """
    path = Path(path)
    if not path.is_file():
        raise BadInput(f"{path}: no such file")
    try:
        with av.open(str(path)) as container:
            if not container.streams.audio:
                raise BadInput(f"{path}: the file has no sound track")
            lossless = container.streams.audio[0].codec_context.name.startswith(_LOSSLESS)
            zero_s = _first_picture_s(container)
        with av.open(str(path)) as container:
            begins_s = _begins_s(container.streams.audio[0]) if zero_s is None else zero_s
            wanted = None if within_s is None else (within_s[0] + begins_s, within_s[1] + begins_s)
            pieces = list(_pieces(container, wanted))
    except (av.FFmpegError, OSError, ValueError) as error:
        if isinstance(error, BadInput):
            raise
        raise BadInput(f"{path}: its sound cannot be read ({error})") from error
    if not pieces and within_s is not None:
        return SoundTrack(np.zeros(0), 1.0, within_s[0], 0.0)
    if not pieces:
        raise BadInput(f"{path}: its sound track is empty")
    start_s, rate, _ = pieces[0]
    places = [round((t - start_s) * rate) for t, _, _ in pieces]
    samples = np.zeros(max(at + len(x) for at, (_, _, x) in zip(places, pieces, strict=True)))
    for at, (_, _, x) in zip(places, pieces, strict=True):
        samples[at : at + len(x)] = x
    if zero_s is None:
        return SoundTrack(samples, rate, start_s - begins_s, 0.0)
    return SoundTrack(samples, rate, start_s - zero_s, _U_START_S if lossless else _U_START_LOSSY_S)


def _first_picture_s(container: av.container.InputContainer) -> float | None:
    for stream in container.streams.video[:1]:
        for frame in container.decode(stream):
            return None if frame.time is None else float(frame.time)
    return None


def _begins_s(stream: av.AudioStream) -> float:
    """When a sound file's first sample was taken by its own stamps."""
    return (
        0.0
        if stream.start_time is None or stream.time_base is None
        else float(stream.start_time * stream.time_base)
    )


def _pieces(
    container: av.container.InputContainer, within_s: tuple[float, float] | None
) -> Iterator[tuple[float, float, Array]]:
    """(time, samples a second, samples (n,)) of each decoded piece, those that reach into within_s."""
    resampler = av.AudioResampler(format="fltp")
    stream = container.streams.audio[0]
    low, high = (-np.inf, np.inf) if within_s is None else within_s
    if low > _RUN_UP_S:
        container.seek(round((low - _RUN_UP_S) * av.time_base), backward=True)
    for frame in container.decode(stream):
        if frame.time is None or frame.time + frame.samples / frame.sample_rate < low:
            continue
        if frame.time > high:
            return
        for plain in resampler.resample(frame):
            channels = np.asarray(plain.to_ndarray(), dtype=float)
            yield float(frame.time), float(frame.sample_rate), channels.mean(axis=0)
