"""Better places, found by exchanging one camera or place at a time for the best other one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration import NotMeasurable, Progress, silent
from calibration.checks import Array
from recon.planning.description import Triple
from recon.planning.forecast import Choice, Forecast, Planner
from recon.planning.predict import PredictedMeasure
from recon.planning.run_off import in_run_off

_UNSEEN_SHARE = (
    30.0  # of a measure that cannot be told: worse than any that can, yet two of them worse than one
)
_LEAST_GAIN = 0.03  # moves that gain less than this are not worth a ladder
_POWER = 6  # of the mean over measures: near the worst one's share, but not blind to the others
_LOOKED_AT = 5  # candidates that are calibrated on paper before the best is taken


@dataclass(frozen=True, slots=True, eq=False)
class Move:
    """One exchange: camera `name` goes to to_m; from_m None where it takes the place of camera `instead_of`.

    before, after  the row that this move gains most for, as a share of its goal
    """

    name: str
    from_m: Triple | None
    to_m: Triple
    instead_of: str
    before: PredictedMeasure
    after: PredictedMeasure


@dataclass(frozen=True, slots=True, eq=False)
class Suggestion:
    """before is None where the plan as it stands cannot be calibrated; `why_not` then says why."""

    before: Forecast | None
    moves: tuple[Move, ...]
    after: Forecast
    why_not: str = ""


def suggest(planner: Planner, progress: Progress = silent) -> Suggestion:
    """Exchange search from the plan as it stands; the score is the power mean of the rig's shares of the goals.

    It finds a place that no single exchange improves, not a proof of the best (Fedorov VV (1972), Theory of
    Optimal Experiments, on exchange algorithms; from memory). Raises NotMeasurable where no choice within one
    exchange of the plan can be calibrated.
    """
    choice, why_not = planner.first_choice(), ""
    try:
        before: Forecast | None = planner.forecast(choice)
    except NotMeasurable as error:
        before, why_not = None, str(error)
    current, moves = before, []
    rounds = 2 * planner.plan.choose
    for k in range(rounds):
        progress("looking for better places", k, rounds)
        step = _best_exchange(
            planner, choice, np.inf if current is None else _calibrated_score(planner, choice)
        )
        if step is None:
            break
        forecast = planner.forecast(step)
        if current is not None:
            moves.append(_move(planner, current, forecast))
        choice, current = step, forecast
    progress("looking for better places", rounds, rounds)
    if current is None:
        raise NotMeasurable(f"the plan cannot be calibrated, nor any plan one exchange away: {why_not}")
    return Suggestion(before, tuple(moves), current, why_not)


def score(shares: Array) -> float:
    """Power mean of shares (rows,); rows that cannot be told count as a large share."""
    capped = np.minimum(shares, _UNSEEN_SHARE)
    return float(np.mean(capped**_POWER) ** (1 / _POWER))


def _calibrated_score(planner: Planner, choice: Choice) -> float:
    return score(planner.quick_shares(choice, with_calibration=True))


def exchanges(planner: Planner, choice: Choice) -> list[Choice]:
    """Every choice that differs in one camera or one place, and puts nothing new into the run-off."""
    used = {camera for camera, _ in choice}
    found = []
    for k, slot in enumerate(choice):
        for i, entry in enumerate(planner.plan.cameras):
            if i != slot[0] and i in used:
                continue
            for p, place in enumerate(entry.places_m):
                if (i, p) != slot and not in_run_off(place):
                    found.append(tuple(sorted((*choice[:k], (i, p), *choice[k + 1 :]))))
    return found


def _best_exchange(planner: Planner, choice: Choice, limit: float) -> Choice | None:
    """The exchange with the best score, calibration included, if it beats the limit by enough.

    Pixels and what hides decide most, so all exchanges are ranked without calibration, and the best few then
    calibrated on paper.
    """
    ranked = sorted(
        exchanges(planner, choice), key=lambda c: score(planner.quick_shares(c, with_calibration=False))
    )
    best: tuple[float, Choice] | None = None
    looked_at = 0
    for candidate in ranked:
        try:
            s = _calibrated_score(planner, candidate)
        except NotMeasurable:
            continue  # no board joins these cameras
        looked_at += 1
        if best is None or s < best[0]:
            best = (s, candidate)
        if looked_at == _LOOKED_AT:
            break
    return best[1] if best is not None and best[0] < limit * (1 - _LEAST_GAIN) else None


def _move(planner: Planner, before: Forecast, after: Forecast) -> Move:
    (old,), (new,) = set(before.choice) - set(after.choice), set(after.choice) - set(before.choice)
    same = old[0] == new[0]
    gained = [
        min(a.rig_share, _UNSEEN_SHARE) - min(b.rig_share, _UNSEEN_SHARE)
        for a, b in zip(before.measures, after.measures, strict=True)
    ]
    k = int(np.argmax(gained))
    return Move(
        planner.camera(new).name, planner.place_m(old) if same else None, planner.place_m(new),
        "" if same else planner.camera(old).name, before.measures[k], after.measures[k],
    )  # fmt: skip
