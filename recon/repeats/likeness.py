"""Whether serves are of one kind: what differs between them, and what nobody wrote down."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

from calibration.errors import BadInput
from recon.repeats.serve import MeasuredServe

EFFORT_PERCENT = 10.0
"""Efforts farther apart than this are unlike: this project's choice; effort is told in tens."""
RACKET_M = 0.005
"""Racket lengths farther apart are another racket: a tape measure's reading, this project's choice."""


@dataclass(frozen=True, slots=True)
class _Trait:
    """One thing that serves may differ in.

    of     its value for a serve, None where unknown
    apart  numbers no farther apart than this are alike
    kind   whether it makes another kind of serve; otherwise it only makes the comparison less sure
    why    what to keep in mind where it differs
    """

    words: str
    of: Callable[[MeasuredServe], str | float | None]
    why: str
    apart: float = 0.0
    kind: bool = True

    def alike(self, a: str | float | None, b: str | float | None) -> bool:
        """Whether two values are alike; unknown is alike with unknown only."""
        if isinstance(a, float) and isinstance(b, float):
            return abs(a - b) <= self.apart * (1 + 1e-9)
        return a == b


_OTHER_SERVE = "they are other serves, and differ for that reason too"
_TRAITS = (
    _Trait("type", lambda s: s.labels.type, _OTHER_SERVE),
    _Trait("side", lambda s: s.labels.side, _OTHER_SERVE),
    _Trait("effort", lambda s: s.labels.effort_percent, "a serve at less effort is another serve",
           apart=EFFORT_PERCENT),
    _Trait("landed", lambda s: s.labels.landed, "serves that went in were chosen by their outcome"),
    _Trait("ball", lambda s: s.labels.ball, "toss and contact change with the ball"),
    _Trait("racket length", lambda s: s.labels.racket_length_m, "contact height and speeds change with it",
           apart=RACKET_M),
    _Trait("handedness", lambda s: s.handedness, "front and back, hitting and tossing are other limbs"),
    _Trait("rig", lambda s: s.rig[:12], "errors of calibration no longer have anything in common", kind=False),
    _Trait("way of measuring", lambda s: ", ".join(f"{k} {v}" for k, v in s.way) or None,
           "points may sit elsewhere on the body", kind=False),
    _Trait("standing height", lambda s: s.height_m, "heights and distances change with growth", apart=0.01,
           kind=False),
    _Trait("age", lambda s: s.age_years, "a growing body changes by itself", apart=0.999, kind=False),
)  # fmt: skip


def want_one_player(serves: Sequence[MeasuredServe]) -> None:
    """Raises BadInput where the sessions name different players."""
    names = sorted({s.athlete for s in serves if s.athlete})
    if len(names) > 1:
        raise BadInput(f"want serves of one player, got sessions of {', '.join(names)}")


def like(a: MeasuredServe, b: MeasuredServe) -> bool:
    """Whether two serves are of one kind, as far as labels tell; unknown labels are alike with unknown only."""
    return all(t.alike(t.of(a), t.of(b)) for t in _TRAITS if t.kind)


def like_groups(serves: Sequence[MeasuredServe]) -> tuple[tuple[MeasuredServe, ...], ...]:
    """The serves sorted into kinds, the largest first: within one, every two serves are alike.

    The order in which serves are given does not matter.
    """
    groups: list[list[MeasuredServe]] = []
    for serve in sorted(serves, key=_sorting):
        home = next((g for g in groups if all(like(serve, other) for other in g)), None)
        if home is None:
            groups.append([serve])
        else:
            home.append(serve)
    return tuple(tuple(g) for g in sorted(groups, key=lambda g: -len(g)))


def _sorting(serve: MeasuredServe) -> tuple[tuple[tuple[bool, str, float], ...], str]:
    values = [t.of(serve) for t in _TRAITS if t.kind]
    return tuple(
        (v is None, "" if isinstance(v, float) else str(v), v if isinstance(v, float) else 0.0) for v in values
    ), serve.name


def notes_on_labels(serves: Sequence[MeasuredServe]) -> tuple[str, ...]:
    """What makes these serves hard to compare, by name; then what nobody wrote down."""
    unlike, unknown = [], []
    for trait in _TRAITS:
        values = [(s.name, trait.of(s)) for s in serves]
        known = [(name, v) for name, v in values if v is not None]
        if _differ(trait, [v for _, v in known]):
            unlike.append(f"unlike {trait.words}: {_listed(known)}; {trait.why}")
        if len(known) < len(values) and trait.words not in ("rig", "way of measuring"):
            unknown.append(f"{trait.words} of {_missing(values)}")
    if not all(s.athlete for s in serves):
        unknown.append(f"the player's name of {_missing([(s.name, s.athlete or None) for s in serves])}")
    if unknown:
        told = "what is not known is alike only with what is not known either"
        unlike.append(f"not written in session.toml: {'; '.join(unknown)}; {told}")
    return tuple(unlike)


def _differ(trait: _Trait, known: Sequence[str | float | None]) -> bool:
    return any(not trait.alike(a, b) for a, b in combinations(set(known), 2))


def _listed(known: Sequence[tuple[str, str | float | None]]) -> str:
    by_value: dict[str, list[str]] = {}
    for name, value in known:
        by_value.setdefault(f"{value:g}" if isinstance(value, float) else str(value), []).append(name)
    return "; ".join(f"{value} ({_few(names)})" for value, names in sorted(by_value.items()))


def _missing(values: Sequence[tuple[str, str | float | None]]) -> str:
    names = [name for name, v in values if v is None]
    return "all serves" if len(names) == len(values) else _few(names)


def _few(names: Sequence[str]) -> str:
    """Names in a row, cut after four."""
    shown = ", ".join(names[:4])
    return shown if len(names) <= 4 else f"{shown} and {len(names) - 4} more"
