"""What the guide says, in words a person with a board in their hands understands at once."""

from __future__ import annotations

from calibration.guide.judge import Standing, Verdict

VERDICT_WORDS = {
    Verdict.ACCEPTED: "taken: sharp and still",
    Verdict.BLURRED: "blurred: hold it still",
    Verdict.MOVING: "moving too fast: hold it still",
    Verdict.DUPLICATE: "this place is done: go on",
    Verdict.OUTSIDE: "partly outside the picture: move it in",
    Verdict.NOT_FOUND: "no board seen",
    Verdict.FIRST: "seen: hold it still",
}
"""For the person on court, while it happens."""

REJECTED = (Verdict.BLURRED, Verdict.MOVING, Verdict.DUPLICATE, Verdict.OUTSIDE, Verdict.NOT_FOUND)
"""The reasons for which a picture is set aside, in the order in which they are told."""


def advice(standing: Standing) -> tuple[str, str]:
    """A head of a few words and a sentence: enough, or where the board should go next."""
    if standing.out_of_focus:
        return "focus the camera", "the board is held still, and yet its edges are wide in every picture"
    if standing.enough:
        return "enough", "further views would hardly help"
    if standing.missing and not standing.stuck:
        return "hold the board", standing.missing[0].words
    return "not enough", standing.why


def counted(number: int, noun: str) -> str:
    """1 view, 2 views."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def uncertainty_words(standing: Standing) -> str:
    """What the views so far leave uncertain, predicted."""
    if standing.worst_u_px is None:
        return "no view yet"
    now = f"worst projection uncertainty in the picture, predicted: {_px(standing.worst_u_px)}"
    return now if standing.next_u_px is None else f"{now}; after the next view {_px(standing.next_u_px)}"


def _px(value: float) -> str:
    return f"{value:.2f} px" if value < 10 else f"{value:.0f} px"
