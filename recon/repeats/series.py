"""A series of serves, measure by measure: mean, scatter, and what a later change has to exceed.

Typical error: the standard deviation of one player's repeated values, here within the series (n - 1 in the
denominator). Hopkins WG (2000), Measures of reliability in sports medicine and science, Sports Med
30(1):1-15, names it so (its abstract was read, the formulas are from memory). It holds the player's own
variation and the random part of measuring together, since both stand between two serves.
Smallest detectable change: 1.96 √2 typical error, the range that holds 95 % of the differences between two
single serves when nothing has changed (the same formula goes by minimal detectable change; from memory).
Where a few serves happen to lie closer together than measuring alone lets them, measuring stands in for it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from calibration.errors import BadInput
from recon.records import Measure
from recon.repeats.likeness import want_one_player
from recon.repeats.serve import MeasuredServe
from recon.repeats.systematic import Parts, of_mean, parts_of

SDC_FACTOR = float(1.96 * np.sqrt(2.0))
_HALF_TURN = np.pi


@dataclass(frozen=True, slots=True)
class Summary:
    """One measure over a series. SI units; None where it cannot be told, then `reason` says why.

    values          (serve, value, u) of every serve in which it was measured
    missing         (serve, reason) of the others
    mean            of the values, with its interval low95 to high95
    u_random, u_systematic   the two parts of the mean's standard uncertainty
    dof             degrees of freedom behind u_random
    typical_error   scatter from serve to serve, with its own 95 % interval te_low95 to te_high95
    measuring       what of it is measuring: root mean square of the serves' random u
    own             what is left as the player's own; None where measuring explains all of it
    sdc             smallest detectable change between two single serves
    systematic      source -> its share of u_systematic
    """

    name: str
    label: str
    unit: str
    values: tuple[tuple[str, float, float], ...]
    missing: tuple[tuple[str, str], ...]
    reason: str = ""
    mean: float | None = None
    low95: float | None = None
    high95: float | None = None
    u_random: float | None = None
    u_systematic: float | None = None
    dof: int | None = None
    typical_error: float | None = None
    te_low95: float | None = None
    te_high95: float | None = None
    measuring: float | None = None
    own: float | None = None
    sdc: float | None = None
    systematic: tuple[tuple[str, float], ...] = ()

    @property
    def n(self) -> int:
        """In how many serves it was measured."""
        return len(self.values)


def summarise(serves: Sequence[MeasuredServe]) -> tuple[Summary, ...]:
    """Every measure over the serves, in the order of the first serve's record.

    The order of the serves does not matter. Raises BadInput for no serves, the same session twice, or more than
    one player.
    """
    if not serves:
        raise BadInput("series: want one measured serve or more, got none")
    twice = sorted(name for name, n in Counter(s.name for s in serves).items() if n > 1)
    if twice:
        raise BadInput(f"series: want every session once, under its own name, got twice: {', '.join(twice)}")
    want_one_player(serves)
    names = list(dict.fromkeys(m.name for s in serves for m in s.measures.measures))
    return tuple(_summary(name, serves) for name in names)


def present(
    name: str, serves: Sequence[MeasuredServe]
) -> tuple[list[tuple[str, Measure]], list[tuple[str, str]]]:
    """(serve, measure) where it was measured, in order of the serves' names; (serve, reason) where not."""
    found, missing = [], []
    for serve in sorted(serves, key=lambda s: s.name):
        m = next((m for m in serve.measures.measures if m.name == name), None)
        if m is None:
            missing.append((serve.name, "measured by a version of the program that does not know it"))
        elif m.value is None:
            missing.append((serve.name, m.reason))
        else:
            found.append((serve.name, m))
    return found, missing


def half_turn_apart(unit: str, values: Sequence[float]) -> bool:
    """Whether directions lie so far apart that a mean of them would mean nothing."""
    return unit == "rad" and len(values) > 1 and max(values) - min(values) > _HALF_TURN


def random_variance(values: Sequence[float], parts: Sequence[Parts]) -> float:
    """Variance of one serve about the mean of its like: observed, but never less than measuring alone makes it.

    A few serves can lie together by chance; then what measuring is known to do stands in.
    """
    measuring = float(np.mean([p.random**2 for p in parts]))
    return max(float(np.var(values, ddof=1)), measuring) if len(values) > 1 else measuring


def interval(centre: float, u_random: float, u_systematic: float, dof: float) -> tuple[float, float, float]:
    """(low95, high95, degrees of freedom), with Student's t.

    Degrees of freedom after Welch and Satterthwaite (JCGM 100:2008, G.4.1; the clause from memory): the random
    part has `dof`, the systematic part is known from elsewhere and has infinitely many.
    """
    u = float(np.hypot(u_random, u_systematic))
    whole = dof * (u / u_random) ** 4 if u_random > 0 else np.inf
    half = float(stats.t.ppf(0.975, whole)) * u
    return centre - half, centre + half, float(whole)


def _summary(name: str, serves: Sequence[MeasuredServe]) -> Summary:
    found, missing = present(name, serves)
    first = next(m for s in serves for m in s.measures.measures if m.name == name)
    rows = tuple((serve, float(m.value or 0.0), float(m.u or 0.0)) for serve, m in found)
    values = [value for _, value, _ in rows]
    blank = Summary(name, first.label, first.unit, rows, tuple(missing))
    if not values:
        return _without(blank, f"measured in none of {len(serves)} serves: {missing[0][1]}")
    if half_turn_apart(first.unit, values):
        return _without(blank, "the serves' directions lie more than half a turn apart")
    parts = [parts_of(m) for _, m in found]
    n, mean = len(values), float(np.mean(values))
    shares = of_mean(parts)
    u_systematic = float(np.sqrt(sum(u**2 for u in shares.values())))
    u_random = float(np.sqrt(random_variance(values, parts) / n))
    low, high, _ = interval(mean, u_random, u_systematic, n - 1 if n > 1 else np.inf)
    measuring = float(np.sqrt(np.mean([p.random**2 for p in parts])))
    scatter = _scatter(values, measuring)
    return Summary(
        name, first.label, first.unit, rows, tuple(missing), "", mean, low, high, u_random, u_systematic,
        n - 1, *scatter[:3], measuring, *scatter[3:], tuple(shares.items()),
    )  # fmt: skip


def _without(blank: Summary, reason: str) -> Summary:
    return Summary(blank.name, blank.label, blank.unit, blank.values, blank.missing, reason)


_Maybe = float | None


def _scatter(values: Sequence[float], measuring: float) -> tuple[_Maybe, _Maybe, _Maybe, _Maybe, _Maybe]:
    """(typical error, its low95, its high95, the player's own part, smallest detectable change).

    The interval is that of a standard deviation of normal values, from chi-squared. All None for one serve.
    """
    n = len(values)
    if n < 2:
        return None, None, None, None, None
    s = float(np.std(values, ddof=1))
    low, high = (s * float(np.sqrt((n - 1) / stats.chi2.ppf(q, n - 1))) for q in (0.975, 0.025))
    own2 = s**2 - measuring**2
    return s, low, high, float(np.sqrt(own2)) if own2 > 0 else None, SDC_FACTOR * max(s, measuring)
