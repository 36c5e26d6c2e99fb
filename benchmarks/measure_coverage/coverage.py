"""How often 95 % intervals hold the truth, and whether chance explains how often they do not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import binomtest

from benchmarks.measure_coverage.families import FAMILIES
from benchmarks.measure_coverage.rows import Row

WANTED, LEVEL = 0.95, 0.01
_PICKS = 301
_SEED = 7


@dataclass(frozen=True, slots=True)
class Coverage:
    """Of some rows: n have interval and truth, held of them hold it.

    p         two-sided binomial test of held of n against 95 %, as if all rows were independent
    serves    how many serves the rows come from
    p_serves  the same test with one row of each serve, drawn by lot: the median of many such draws. Rows of one
              serve share its errors, which the plain test takes for independent evidence
    """

    n: int
    held: int
    p: float
    serves: int
    p_serves: float

    @property
    def share(self) -> float:
        """Of the rows that hold; NaN where there is none."""
        return self.held / self.n if self.n else np.nan

    @property
    def rejected(self) -> bool:
        """Whether 95 % is rejected at 1 % by the plain test."""
        return self.p < LEVEL

    @property
    def rejected_by_serves(self) -> bool:
        """The same, one row per serve."""
        return self.p_serves < LEVEL


def coverage(rows: Iterable[Row]) -> Coverage:
    """Of rows with interval and truth; the others do not count."""
    by_serve: dict[str, list[bool]] = {}
    for row in rows:
        if row.holds is not None:
            by_serve.setdefault(row.serve or row.subject, []).append(row.holds)
    n, held = sum(map(len, by_serve.values())), sum(map(sum, by_serve.values()))
    return Coverage(n, held, _p(held, n), len(by_serve), _p_serves(list(by_serve.values())))


def _p(held: int, n: int) -> float:
    return float(binomtest(held, n, WANTED).pvalue) if n else 1.0


def _p_serves(serves: Sequence[Sequence[bool]]) -> float:
    if not serves:
        return 1.0
    rng = np.random.default_rng(_SEED)
    held = [sum(own[int(rng.integers(len(own)))] for own in serves) for _ in range(_PICKS)]
    known = {k: _p(k, len(serves)) for k in set(held)}
    return float(np.median([known[k] for k in held]))


def by_family(rows: Sequence[Row]) -> dict[str, Coverage]:
    """Family → coverage, in the table's order, without families of which nothing was measured."""
    found = {f: coverage(r for r in rows if r.family == f) for f in (*FAMILIES, "none")}
    return {f: c for f, c in found.items() if c.n}


@dataclass(frozen=True, slots=True)
class Misses:
    """One measure over all sessions.

    median, p95   of its absolute errors; u: median standard uncertainty; NaN where nothing is known
    absent        how many have no value though they have a truth; reasons: why → how often
    """

    measure: str
    family: str
    unit: str
    coverage: Coverage
    median: float
    p95: float
    u: float
    absent: int
    reasons: Mapping[str, int]


def by_measure(rows: Sequence[Row]) -> list[Misses]:
    """Every measure, by family and then as they come."""
    names = list(dict.fromkeys(row.measure for row in rows))
    found = [_misses(name, [row for row in rows if row.measure == name]) for name in names]
    order = [*FAMILIES, "none"]
    return sorted(found, key=lambda m: order.index(m.family))


def _misses(name: str, rows: Sequence[Row]) -> Misses:
    errors = np.abs([row.error for row in rows if row.error is not None])
    u = [row.u for row in rows if row.u is not None]
    absent = [row for row in rows if row.value is None and row.truth is not None]
    reasons: dict[str, int] = {}
    for row in absent:
        reasons[row.reason] = reasons.get(row.reason, 0) + 1
    often = dict(sorted(reasons.items(), key=lambda pair: -pair[1]))
    middle, high = (float(np.percentile(errors, q)) if len(errors) else np.nan for q in (50, 95))
    return Misses(
        name, rows[0].family, rows[0].unit, coverage(rows), middle, high, float(np.median(u)) if u else np.nan,
        len(absent), often,
    )  # fmt: skip
