"""What a plan must be read with: cautions for people, and remarks on this very plan."""

from __future__ import annotations

import numpy as np

from recon.planning.exposure import exposure_rows, shutter_text
from recon.planning.forecast import Forecast, Planner
from recon.planning.run_off import RUN_OFF_BEHIND_M, RUN_OFF_BESIDE_M, in_run_off
from recon.planning.search import Move
from recon.wording import expanded_text

CAUTIONS = (
    "Stands, guy lines and clamps stay out of the run-off and out of every path of player, ball and racket; "
    "each is weighted or tied.",
    "Cables are taped down or led along the fence; nothing crosses the run-up or the landing.",
    "Cameras stand behind or above where balls and swings reach, or behind netting that does.",
    "Anything mounted overhead is put up by qualified people, with a second tie (a safety cable) on each part, "
    "and by the rules of the place. Nobody stands below meanwhile.",
    "Whoever is filmed agrees beforehand; for minors those who care for them agree, and local rules apply.",
)
"""Printed with every plan."""


def remarks(planner: Planner, forecast: Forecast) -> tuple[str, ...]:
    """Sentences about one choice of places."""
    found = [
        f"{planner.camera(slot).name} stands in the run-off "
        f"({RUN_OFF_BEHIND_M:g} m behind the baseline, {RUN_OFF_BESIDE_M:g} m beside the doubles line): "
        "move it back or up"
        for slot in forecast.choice
        if in_run_off(planner.place_m(slot))
    ]
    for view in forecast.views:
        share = float(view.in_picture.mean())
        if share < 0.999:
            found.append(
                f"{view.camera.name} has {1 - share:.0%} of the serve's points outside its picture: aim or lens"
            )
    for row in exposure_rows(planner, forecast):
        if row.planned_s > 1.05 * row.limit_s:
            found.append(
                f"{row.camera}: the racket tip draws a streak of {row.planned_blur_px:.0f} px; "
                f"{shutter_text(row.limit_s)} or shorter keeps it within {planner.plan.blur_limit_px:g} px"
            )
        if row.stops_short is not None and row.stops_short > 0.5:
            found.append(
                f"{row.camera}: at {shutter_text(row.limit_s)} the stated light is {row.stops_short:.1f} stops "
                "short of a normal picture: more light, a wider aperture or a higher ISO"
            )
        if row.rows_apart_s > 0.5e-3:
            moved = planner.plan.tip_speed_m_s * row.rows_apart_s
            found.append(
                f"{row.camera}: its rows are read one after another; the tip's row comes "
                f"{1e3 * row.rows_apart_s:.1f} ms after the first, in which the tip moves up to "
                f"{100 * moved:.0f} cm. This is not in u"
            )
    found += [f"{m.row.label}: {m.unseen}" for m in forecast.measures if m.unseen]
    return tuple(found)


def place_text(place_m: tuple[float, float, float]) -> str:
    """'4.8 m left, 5.7 m behind the baseline, 2.8 m high'."""
    x, y, z = np.round(place_m, 1)
    side = "in the middle" if x == 0 else f"{abs(x):g} m {'right' if x > 0 else 'left'}"
    along = (
        "on the baseline" if y == 0 else f"{abs(y):g} m {'behind the baseline' if y < 0 else 'into the court'}"
    )
    return f"{side}, {along}, {z:g} m high"


def move_text(move: Move) -> str:
    """'side to 8 m right, … (from …); gains most for the elbow, of which the rig's part goes from … to …'."""
    where = f"instead of {move.instead_of}" if move.from_m is None else f"from {place_text(move.from_m)}"
    parts = [
        "cannot be told" if m.unseen else expanded_text(m.rig_u, m.row.unit) for m in (move.before, move.after)
    ]
    gain = f"{move.before.row.label.lower()}, of which the rig's part goes from {parts[0]} to {parts[1]}"
    return f"{move.name} to {place_text(move.to_m)} ({where}); gains most for {gain}"
