"""Where the numbers of one serve come from: what was kept beside the result, as texts."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

from calibration.provenance import content_hash
from recon.result import TOLD, Result
from recon.wording import value_with_uncertainty

_LONG = 16
_CHECKS = "checks"


def checks_of(result: Result) -> tuple[str, ...]:
    """What was known beforehand and was measured again in this serve, as it was noted."""
    notes = result.provenance.get("notes")
    return tuple(str(text) for text in notes.get(_CHECKS, ())) if isinstance(notes, Mapping) else ()


def facts_of(result: Result) -> tuple[tuple[str, str], ...]:
    """Provenance as it was kept, flattened: 'rig / file' -> text.

    What stands elsewhere on the page is left out.
    """
    rows = [("2D points found by", result.tracks.source)]
    if result.flight is not None and not checks_of(result):
        g = value_with_uncertainty(result.flight.gravity_m_s2, result.flight.u_gravity_m_s2, " m/s²")
        rows.append(("check: gravity from the ball's free flight (9.81 m/s² expected)", g))
    rows += _rig_facts(result)
    kept = {k: v for k, v in result.provenance.items() if k not in ("kind", "format")}
    if isinstance(notes := kept.get("notes"), Mapping):
        kept["notes"] = {k: v for k, v in notes.items() if k not in (_CHECKS, "quality", *TOLD)}
    _flatten("", kept, rows)
    return tuple(rows)


def written_on(path: Path) -> str:
    """The day a file was written, as its clock says; empty where it is not there."""
    return f"{datetime.fromtimestamp(path.stat().st_mtime):%Y-%m-%d}" if path.is_file() else ""


def _rig_facts(result: Result) -> list[tuple[str, str]]:
    """How the cameras were calibrated."""
    rig, path = result.rig, result.session.rig_path
    rows = [("rig", rig.name)]
    if path.is_file():
        rows.append(("rig file", f"SHA-256 {content_hash(path)[:_LONG]}…"))
        rows.append(("rig file written on", written_on(path)))
    if rig.board_views:
        rows.append(("board positions the rig rests on", str(rig.board_views)))
    for camera, rms_px in zip(rig.cameras, rig.camera_rms_px, strict=False):
        rows.append((f"board corners against the fit, camera {camera.name}", f"{rms_px:.2f} px (rms)"))
    if rig.held_out_px is not None:
        rows.append(("board positions left out of the fit, predicted", f"{rig.held_out_px:.2f} px (rms)"))
    if rig.court is not None:
        rows.append(("clicks on the court against the fit", f"{rig.court.rms_px:.2f} px (rms)"))
        if rig.court.worst_u_m is not None:
            worst = f"{1e3 * rig.court.worst_u_m:.1f} mm"
            rows.append(("what calibration adds to u of a point where the serve is, at most", worst))
    rows += [("flag of the calibration", flag) for flag in rig.flags]
    return rows


def _flatten(path: str, value: object, rows: list[tuple[str, str]]) -> None:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            name = str(key).replace("_", " ")
            _flatten(f"{path} / {name}" if path else name, inner, rows)
    elif isinstance(value, list | tuple) and any(isinstance(v, Mapping | list | tuple) for v in value):
        for n, inner in enumerate(value, start=1):
            _flatten(f"{path} / {n}", inner, rows)
    elif isinstance(value, list | tuple):
        rows.append((path, ", ".join(_plain(v) for v in value)))
    else:
        rows.append((path, _plain(value)))


def _plain(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.4g}"
    text = str(value)
    is_hash = len(text) >= 40 and all(c in "0123456789abcdef" for c in text)
    return f"{text[:_LONG]}…" if is_hash else text
