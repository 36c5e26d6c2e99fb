"""The part of a measure's uncertainty that stays the same from serve to serve, and what of it cancels.

More serves make the random part of a mean smaller, and leave the systematic part as it is. In the difference
of two series it cancels as far as both have it in common.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from recon.records import Measure
from recon.records.measures import SYSTEMATIC
from recon.repeats.serve import MeasuredServe

COMMON_SHARE = 0.5
"""Correlation taken between the systematic errors of two series that share their cause.

With the same rig and player in the same posture nearly all would be common; the posture may have changed,
which is what a retest asks. A half is this project's choice, on the careful side: with equal u on both
sides the difference then keeps u, where full cancellation would leave nothing and none at all 1.4 u.
"""


@dataclass(frozen=True, slots=True)
class Parts:
    """u of one serve's measure in two parts. systematic: source -> its share, same unit as the measure."""

    random: float
    systematic: dict[str, float]


def parts_of(m: Measure) -> Parts:
    """The two parts of a present measure's u; what no source accounts for counts as systematic ("other")."""
    assert m.u is not None
    random, known = m.u_random or 0.0, m.u_systematic or 0.0
    shares = {name: u for name, u in sorted(m.sources.items()) if name in SYSTEMATIC and u > 0}
    rest2 = m.u**2 - random**2 - known**2
    if rest2 > 1e-6 * m.u**2:
        shares["other"] = float(np.sqrt(rest2))
    return Parts(random, shares)


def of_mean(parts: Sequence[Parts]) -> dict[str, float]:
    """Systematic shares of the mean of several serves: the plain mean of each, as if it were one common error.

    That is the largest it can be, whatever the serves have in common.
    """
    names = sorted({name for p in parts for name in p.systematic})
    return {name: sum(p.systematic.get(name, 0.0) for p in parts) / len(parts) for name in names}


def of_difference(before: dict[str, float], after: dict[str, float], common: Sequence[str]) -> dict[str, float]:
    """Systematic shares of the difference of two means, source by source.

    u² = u₁² + u₂² − 2 r u₁ u₂ with r = COMMON_SHARE for the sources in `common`, else 0.
    """
    out = {}
    for name in sorted({*before, *after}):
        a, b = before.get(name, 0.0), after.get(name, 0.0)
        r = COMMON_SHARE if name in common else 0.0
        out[name] = float(np.sqrt(a**2 + b**2 - 2 * r * a * b))
    return out


def common_sources(before: Sequence[MeasuredServe], after: Sequence[MeasuredServe]) -> tuple[str, ...]:
    """Which systematic sources two series share.

    Calibration: all serves on one rig file. What hangs on the player: one player, named in every
    session, measured in one way (the same shoes are taken for granted). Air is another one every day.
    """
    both = [*before, *after]
    one_rig = len({s.rig for s in both}) == 1
    one_player = len({s.athlete for s in both}) == 1 and bool(both[0].athlete)
    one_way = len({s.way for s in both}) == 1 and len({s.handedness for s in both}) == 1
    player = (
        ("joint centres", "shoe outline", "standing height", "posture", "smoothing")
        if one_player and one_way
        else ()
    )
    return (*(("calibration",) if one_rig else ()), *player)
