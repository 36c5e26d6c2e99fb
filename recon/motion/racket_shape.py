"""How far apart the racket's taped points lie: learned from the clip, helped by a length that is told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from recon.motion.lengths import Length
from recon.records import RACKET

TIP, THROAT, BUTT = RACKET
SPANS = ((BUTT, THROAT), (THROAT, TIP), (BUTT, TIP))
_BY_PART = {SPANS[0]: (1.0, 0.0), SPANS[1]: (0.0, 1.0), SPANS[2]: (1.0, 1.0)}

TAPES_INSIDE_M = 0.025
"""By how much the middles of the tip's and the butt's tape lie inside a racket's length, both together.

The band around the handle's end is some 40 mm wide, its middle 20 mm from the end; the tip's tape follows the
frame's round end, and its middle lies 5 mm inside the far end. Assumed, for tape put on as the guide says.
"""
TAPES_UNSURE_M = 0.012
"""Standard uncertainty of that: tapes are cut and put on by hand."""


@dataclass(frozen=True, slots=True, eq=False)
class RacketShape:
    """Where the taped points lie on the racket's long axis.

    butt_throat_m, throat_tip_m  distances along the axis, and covariance_m2 (2, 2) of both
    errors_m   (D, 2) draws of the distances' error
    """

    butt_throat_m: float
    throat_tip_m: float
    covariance_m2: Array
    errors_m: Array

    @property
    def length_m(self) -> float:
        """From the butt's to the tip's tape."""
        return self.butt_throat_m + self.throat_tip_m

    @property
    def share(self) -> float:
        """Of that length, how far the throat is from the butt."""
        return self.butt_throat_m / self.length_m

    def sentence(self) -> str:
        """For a run's record."""
        u = np.sqrt([*np.diag(self.covariance_m2)])
        return (
            f"racket butt to throat {1e3 * self.butt_throat_m:.0f} mm, u {1e3 * u[0]:.1f} mm; throat to tip "
            f"{1e3 * self.throat_tip_m:.0f} mm, u {1e3 * u[1]:.1f} mm"
        )


def shape_of(
    lengths: Sequence[Length], racket_length_m: float | None, draws: int, rng: np.random.Generator
) -> RacketShape | None:
    """The most likely shape, weighted least squares; None where the distances found do not determine it.

    racket_length_m: from the end of the handle to the far end of the frame, where somebody measured it.
    """
    rows = [_BY_PART[found.ends] for found in lengths]
    told, u = [found.length_m for found in lengths], [found.u_m for found in lengths]
    errors = [found.errors_m * (found.u_m / found.errors_m.std(ddof=1)) for found in lengths]
    if racket_length_m is not None:
        rows.append((1.0, 1.0))
        told.append(racket_length_m - TAPES_INSIDE_M)
        u.append(TAPES_UNSURE_M)
        errors.append(TAPES_UNSURE_M * rng.standard_normal(draws))
    if len({*rows}) < 2:
        return None
    M, weight = np.array(rows), 1 / np.array(u) ** 2
    best = np.linalg.solve((M.T * weight) @ M, M.T * weight)
    parts, off = best @ np.array(told), (best @ np.array(errors)).T
    if parts.min() <= 0:
        return None
    return RacketShape(float(parts[0]), float(parts[1]), np.cov(off.T), off)
