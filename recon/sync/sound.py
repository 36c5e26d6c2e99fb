"""Clocks from sound: when a bang began in each recording, and how long it travelled to each camera."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from calibration.errors import NotMeasurable
from recon.sync.instants import SameInstant

SOUND = "sound"
_HIGH_PASS_HZ = 1000.0  # wind, steps and hum lie below it; a ball's contact and a clap reach far above
_SHORT_S = 0.001
_BEFORE_S = 0.015
_AFTER_S = 0.002
_LEAST_U_S = 1e-4
"""A bang takes some time to rise, and a microphone to answer: common practice."""
_LEAST_BACKGROUND_S = 0.03
_FORERUN = 0.12
"""Against the bang: lossy sound coding smears a faint image of it over the milliseconds before (pre-echo)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Air:
    """The air that the sound went through: temperature in degrees Celsius, and its standard uncertainty."""

    temperature_c: float = 20.0
    u_c: float = 10.0

    def speed_m_s(self) -> tuple[float, float]:
        """Of sound, and its standard uncertainty: 343.2 m/s at 20 °C, growing with the root of the temperature.

        Source: ISO 9613-1:1993 (from memory).
        """
        kelvin = self.temperature_c + 273.15
        speed = 343.2 * np.sqrt(kelvin / 293.15)
        return float(speed), float(speed / 2 * self.u_c / kelvin)


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """A bang in one camera's recording.

    t_cam_s, u_s     when it began, on that camera's own clock as the file stamps its sound
    skew_s, u_skew_s by how much the file stamps sound later than pictures
    microphone_m (3,), in the court
    """

    camera: str
    t_cam_s: float
    u_s: float
    skew_s: float
    u_skew_s: float
    microphone_m: Array


def onset(samples: Array, rate_hz: float, loudness: float = 8.0) -> tuple[float, float]:
    """When a bang begins, seconds from the first of the samples (N,), and its standard uncertainty.

    The first short stretch that is `loudness` times as loud as the background (half of that where it is half
    as loud as the loudest), and a quarter as loud as the loudest, is looked at closely: every sample may be the
    last of the background, as probable as two normal distributions with variances of their own before and after
    it make it. What comes later, as echoes do, does not count. Raises NotMeasurable where nothing stands out,
    or no background is heard before it.
    Source: Maeda N (1985), A method for reading and checking phase times in auto-processing system of seismic
    wave data, Zisin 38:365-379 (from memory), as a probability.
    """
    from scipy.signal import (  # imported here: it takes long to load, and few sessions have sound
        butter,
        sosfilt,
    )

    high = sosfilt(butter(4, _HIGH_PASS_HZ / (rate_hz / 2), "highpass", output="sos"), samples)
    short = max(1, round(_SHORT_S * rate_hz))
    count = len(high) // short
    loud = np.sqrt((high[: count * short].reshape(count, short) ** 2).mean(axis=1)) if count else np.zeros(0)
    settled = loud[3:]  # the filter's own beginning
    if len(settled) < _LEAST_BACKGROUND_S / _SHORT_S:
        raise NotMeasurable("the sound is too short")
    background, loudest = float(np.median(settled)), float(settled.max())
    # in much noise the loudest may be an echo: what is half as loud counts, though less clear of the background
    least_loud = np.clip(loudest / 2, loudness / 2 * background, loudness * background)
    bangs = np.flatnonzero((settled > least_loud) & (settled > loudest / 4)) + 3
    if loudest <= loudness * background or not len(bangs):
        raise NotMeasurable(f"no sound is {loudness:.0f} times as loud as the background")
    first = int(bangs[0]) * short
    if first < _LEAST_BACKGROUND_S * rate_hz:
        raise NotMeasurable("the bang begins with the recording")
    start = first - round(_BEFORE_S * rate_hz)
    least = (_FORERUN * loudest) ** 2
    return _change(high[start : first + round(_AFTER_S * rate_hz)], least, start, rate_hz)


def _change(x: Array, least: float, start: int, rate_hz: float) -> tuple[float, float]:
    """Where the variance of x (N,) changes; before it is `least` or more."""
    n, edge = len(x), 8
    k = np.arange(edge, n - edge)
    before = np.cumsum(x**2)[k - 1]
    after = (x**2).sum() - before
    quiet = np.maximum(before / k, least)
    log_p = -0.5 * (k * np.log(quiet) + before / quiet + (n - k) * (np.log(after / (n - k) + 1e-30) + 1))
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    mean = float(p @ k)
    sd = float(np.sqrt(p @ (k - mean) ** 2))
    return (start + mean) / rate_hz, float(np.hypot(sd / rate_hz, _LEAST_U_S))


def instant_heard(heard: Sequence[Heard], place_m: Array, u_place_m: float, air: Air) -> SameInstant:
    """The instant of the bang itself, by each camera's clock: its arrival less its way and the file's skew.

    place_m (3,): where it banged, with one standard uncertainty for every direction.
    """
    speed, u_speed = air.speed_m_s()
    ways = np.array([np.asarray(h.microphone_m) - place_m for h in heard])
    far = np.linalg.norm(ways, axis=1)
    t = np.array([h.t_cam_s - h.skew_s for h in heard]) - far / speed
    towards = ways / far[:, None] / speed
    covariance = np.diag([h.u_s**2 + h.u_skew_s**2 for h in heard])
    covariance += u_place_m**2 * towards @ towards.T + np.outer(far, far) * (u_speed / speed**2) ** 2
    return SameInstant(SOUND, tuple(h.camera for h in heard), t, covariance)
