"""What a line fit says of the paint: each line against all others, and distances against the rules."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from calibration.calibrated_rig import LineCheck, LineDistance
from calibration.checks import Array
from calibration.court.fit import inverse_scaled
from calibration.court.line_fit import LineFit
from calibration.court.ruled_lines import RULED_LINES, Flags, Index, X, Y

_LOOSE = 1e-5  # prior information left to a line's ends (1 is the laying tolerance): 0.95 m at 3 mm
LEAST_SAMPLES = 6  # edges of a line, over all cameras, below which nothing is said of it


def against_the_rest(fit: LineFit, line: int) -> tuple[Array, Array]:
    """The line's two ends (2,) m off the rules, judged without its own laying tolerance, and covariance (2, 2).

    Exact for a linear model: with the prior P replaced by P' the optimum moves by (D + P')⁻¹ (P - P') x.
    """
    at = fit.unknowns.at_ends().start + 2 * line + np.arange(2)
    prior = np.array(fit.prior)
    prior[at] = _LOOSE
    ends, cov = _with_prior(fit, prior)
    sd = fit.paint_sd_m[line]
    rows = np.arange(2 * line, 2 * line + 2)
    return ends[rows] * sd, cov[np.ix_(at, at)] * sd**2


def _with_prior(fit: LineFit, prior: Array) -> tuple[Array, Array]:
    """All ends (2 L,) in prior units and the unknowns' covariance, had the prior been this one."""
    cov = inverse_scaled(fit.normal - np.diag(fit.prior) + np.diag(prior))
    x = fit.unknowns.vector()
    moved = x + cov @ ((fit.prior - prior) * x)
    return moved[fit.unknowns.at_ends()], cov


def line_checks(fit: LineFit, wanted: Index) -> tuple[LineCheck, ...]:
    """A row per line that was looked for; wanted (L,) counts the places where it ought to be visible."""
    out = []
    for i, line in enumerate(RULED_LINES):
        own = (fit.samples.line == i) & fit.used
        places = _places(fit, own)
        if not wanted[i] and not places:
            continue
        offset, u = _offset_at_seen_middle(fit, i) if own.sum() >= LEAST_SAMPLES else (None, None)
        rms = float(np.sqrt(np.mean(fit.residual_px[own] ** 2))) if own.any() else 0.0
        out.append(
            LineCheck(
                line.name, places, max(int(wanted[i]) - places, 0), rms, float(fit.widths_m[i]),
                float(fit.widths_u_m[i]), offset, u, offset is not None and line.name not in fit.free,
            )
        )  # fmt: skip
    return tuple(out)


def _places(fit: LineFit, own: Flags) -> int:
    """Places across the line, one however many of its edges were measured there."""
    s = fit.samples
    return len({(c, a) for c, a in zip(s.camera[own].tolist(), s.along_m[own].tolist(), strict=True)})


def _offset_at_seen_middle(fit: LineFit, line: int) -> tuple[float, float]:
    mix = _mix(line, sum(_seen_m(fit, line)) / 2)
    ends, cov = against_the_rest(fit, line)
    return float(mix @ ends), float(np.sqrt(mix @ cov @ mix))


def _seen_m(fit: LineFit, line: int) -> tuple[float, float]:
    """From where to where along the line edges were used."""
    own = fit.samples.along_m[(fit.samples.line == line) & fit.used]
    return float(own.min()), float(own.max())


def _mix(line: int, along_m: float) -> Array:
    """(2,) shares of the two ends in the line's offset at a place along it."""
    tau = (along_m - RULED_LINES[line].start_m) / RULED_LINES[line].length_m
    return np.array([1 - tau, tau])


def off_sigmas(fit: LineFit, line: int) -> float:
    """How unlikely a line's place is, given all others and the laying tolerance: its offset in sigmas."""
    offset, u = _offset_at_seen_middle(fit, line)
    return abs(offset) / float(np.hypot(u, fit.paint_sd_m[line]))


def measured_lines(fit: LineFit) -> list[int]:
    """Lines with enough edges to be judged."""
    return [i for i in range(len(RULED_LINES)) if ((fit.samples.line == i) & fit.used).sum() >= LEAST_SAMPLES]


def distances(fit: LineFit) -> tuple[LineDistance, ...]:
    """Between neighbouring parallel lines that were found, without any belief in how they were laid."""
    prior = np.array(fit.prior)
    at = fit.unknowns.at_ends()
    prior[at] = _LOOSE
    ends, cov = _with_prior(fit, prior)
    sd = np.repeat(fit.paint_sd_m, 2)
    ends_m, cov_m2 = ends * sd, cov[at, at] * np.outer(sd, sd)
    out = []
    found = measured_lines(fit)
    for axis in (X, Y):
        own = sorted((i for i in found if RULED_LINES[i].along == axis), key=lambda i: RULED_LINES[i].at_m)
        for a, b in pairwise(own):
            # at one place along both, so that turning the whole court changes nothing
            low, high = zip(_seen_m(fit, a), _seen_m(fit, b), strict=True)
            along = (max(low) + min(high)) / 2
            g = np.zeros(len(ends_m))
            g[2 * a : 2 * a + 2], g[2 * b : 2 * b + 2] = -_mix(a, along), _mix(b, along)
            rules = RULED_LINES[b].at_m - RULED_LINES[a].at_m
            out.append(
                LineDistance(
                    RULED_LINES[a].name, RULED_LINES[b].name, float(rules + g @ ends_m),
                    float(np.sqrt(g @ cov_m2 @ g)), float(rules),
                )
            )  # fmt: skip
    return tuple(out)
