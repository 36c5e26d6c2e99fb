"""Two series of one player: what has changed, and whether it is more than chance and measuring.

Per measure: the difference of the means, its 95 % interval with Student's t, and a p-value. About a hundred are
asked at once, so p-values are adjusted after Benjamini Y, Hochberg Y (1995), J R Stat Soc B 57:289-300 (not
read; cited and computed as in scipy): of all changes called real, at most one in twenty is expected to be
chance. That holds for independent measures and for such as lean the same way; measures of one body hang
together in both ways, so it is close, not certain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy import stats

from calibration.errors import BadInput
from recon.records import Measure
from recon.repeats.likeness import notes_on_labels, want_one_player
from recon.repeats.series import (
    SDC_FACTOR,
    Summary,
    half_turn_apart,
    interval,
    present,
    random_variance,
    summarise,
)
from recon.repeats.serve import MeasuredServe
from recon.repeats.systematic import common_sources, of_difference, of_mean, parts_of

FALSE_SHARE = 0.05
"""Share of the changes called real that may be chance."""

Verdict = Literal["real change", "cannot be told from chance", "not compared"]


@dataclass(frozen=True, slots=True)
class Change:
    """One measure before and after. SI units; numbers are None where it was not compared, `reason` says why.

    difference       mean after less mean before, with the interval low95 to high95
    u_random, u_systematic   parts of its standard uncertainty; dof: degrees of freedom of both together
    p, p_adjusted    chance of such a difference where nothing changed; the same with all measures in mind
    typical_error    of both series together; sdc: smallest detectable change between two single serves
    """

    name: str
    label: str
    unit: str
    before: Summary
    after: Summary
    verdict: Verdict
    reason: str = ""
    difference: float | None = None
    low95: float | None = None
    high95: float | None = None
    u_random: float | None = None
    u_systematic: float | None = None
    dof: float | None = None
    p: float | None = None
    p_adjusted: float | None = None
    typical_error: float | None = None
    sdc: float | None = None


@dataclass(frozen=True, slots=True)
class Retest:
    """All measures before and after.

    common: systematic sources taken to cancel in part; notes: what makes the two hard to compare.
    """

    before: tuple[str, ...]
    after: tuple[str, ...]
    paired: bool
    changes: tuple[Change, ...]
    common: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def compared(self) -> int:
        """How many measures were compared."""
        return sum(c.p is not None for c in self.changes)

    @property
    def expected_by_chance(self) -> float:
        """How many 95 % intervals would miss zero by chance if nothing at all had changed."""
        return 0.05 * self.compared


def retest(before: Sequence[MeasuredServe], after: Sequence[MeasuredServe], *, paired: bool = False) -> Retest:
    """Compare two series of one player.

    paired: the k-th serve of both is the same serve, measured twice (another rig, other clicks). Then the
    differences are taken serve by serve, and the typical error is their standard deviation over √2, the
    formula for retest pairs of Hopkins (2000), from memory: that of measuring alone.
    Raises BadInput for an empty series, a serve in both, more than one player, or unequal numbers when paired.
    """
    shared = {s.name for s in before} & {s.name for s in after}
    if shared:
        raise BadInput(
            f"retest: want every session in one series only, got in both: {', '.join(sorted(shared))}"
        )
    if paired and len(before) != len(after):
        raise BadInput(f"retest: paired serves come in equal numbers, got {len(before)} and {len(after)}")
    want_one_player([*before, *after])
    first = {s.name: s for s in summarise(before)}
    second = {s.name: s for s in summarise(after)}
    common = common_sources(before, after)
    names = [name for name in first if name in second]
    changes = [_change(first[n], second[n], before, after, common, paired) for n in names]
    return Retest(
        tuple(s.name for s in before),
        tuple(s.name for s in after),
        paired,
        _judged(changes),
        common,
        notes_on_labels([*before, *after]),
    )


def _judged(changes: Sequence[Change]) -> tuple[Change, ...]:
    """Adjusted p-values, and the verdict that rests on them."""
    asked = [c.p for c in changes if c.p is not None]
    adjusted = iter(stats.false_discovery_control(asked) if asked else ())
    out = []
    for change in changes:
        if change.p is None:
            out.append(change)
            continue
        p = float(next(adjusted))
        verdict: Verdict = "real change" if p <= FALSE_SHARE else "cannot be told from chance"
        out.append(replace(change, p_adjusted=p, verdict=verdict))
    return tuple(out)


def _change(
    first: Summary,
    second: Summary,
    before: Sequence[MeasuredServe],
    after: Sequence[MeasuredServe],
    common: Sequence[str],
    paired: bool,
) -> Change:
    blank = Change(first.name, first.label, first.unit, first, second, "not compared")
    if first.mean is None or second.mean is None:
        return replace(blank, reason=first.reason or second.reason)
    a, b = (dict(present(first.name, side)[0]) for side in (before, after))
    if paired:
        pairs = [(a.get(s.name), b.get(o.name)) for s, o in zip(before, after, strict=True)]
        return _of_pairs(blank, pairs, common)
    if min(len(a), len(b)) < 2:
        return replace(blank, reason="two serves or more in each series tell how much the player varies")
    if half_turn_apart(first.unit, [m.value or 0.0 for m in (*a.values(), *b.values())]):
        return replace(blank, reason="the serves' directions lie more than half a turn apart")
    return _of_series(blank, list(a.values()), list(b.values()), common)


def _of_series(blank: Change, a: list[Measure], b: list[Measure], common: Sequence[str]) -> Change:
    """Welch's comparison of two means, with the systematic part added."""
    values = [[float(m.value or 0.0) for m in side] for side in (a, b)]
    parts = [[parts_of(m) for m in side] for side in (a, b)]
    shares = [random_variance(v, p) / len(v) for v, p in zip(values, parts, strict=True)]
    free = [len(v) - 1 for v in values]
    total = sum(shares)
    dof = total**2 / sum(s**2 / f for s, f in zip(shares, free, strict=True)) if total > 0 else float(sum(free))
    within = sum(f * float(np.var(v, ddof=1)) for f, v in zip(free, values, strict=True)) / sum(free)
    noise = float(np.mean([p.random**2 for side in parts for p in side]))
    systematic = of_difference(of_mean(parts[0]), of_mean(parts[1]), common)
    difference = float(np.mean(values[1]) - np.mean(values[0]))
    change = _filled(blank, difference, float(np.sqrt(total)), systematic, dof)
    return replace(
        change, typical_error=float(np.sqrt(within)), sdc=SDC_FACTOR * float(np.sqrt(max(within, noise)))
    )


def _of_pairs(
    blank: Change, pairs: Sequence[tuple[Measure | None, Measure | None]], common: Sequence[str]
) -> Change:
    """The same serves measured twice: one difference each."""
    both = [(a, b) for a, b in pairs if a is not None and b is not None]
    if len(both) < 2:
        return replace(blank, reason="want two serves or more that were measured both times")
    d = [float(b.value or 0.0) - float(a.value or 0.0) for a, b in both]
    if half_turn_apart(blank.unit, [*d, 0.0]):
        return replace(blank, reason="the serves' directions lie more than half a turn apart")
    parts = [[parts_of(m) for m in side] for side in zip(*both, strict=True)]
    floor = float(np.mean([x.random**2 + y.random**2 for x, y in zip(*parts, strict=True)]))
    spread = float(np.var(d, ddof=1))
    systematic = of_difference(of_mean(parts[0]), of_mean(parts[1]), common)
    u_random = float(np.sqrt(max(spread, floor) / len(d)))
    change = _filled(blank, float(np.mean(d)), u_random, systematic, len(d) - 1)
    sdc = SDC_FACTOR * float(np.sqrt(max(spread, floor) / 2))
    return replace(change, typical_error=float(np.sqrt(spread / 2)), sdc=sdc)


def _filled(
    blank: Change, difference: float, u_random: float, systematic: dict[str, float], dof: float
) -> Change:
    u_systematic = float(np.sqrt(sum(u**2 for u in systematic.values())))
    low, high, whole = interval(difference, u_random, u_systematic, dof)
    u = float(np.hypot(u_random, u_systematic))
    p = 2 * float(stats.t.sf(abs(difference) / u, whole)) if u > 0 else float(difference == 0)
    return replace(
        blank, difference=difference, low95=low, high95=high, u_random=u_random, u_systematic=u_systematic,
        dof=whole, p=p,
    )  # fmt: skip
