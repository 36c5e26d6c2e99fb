"""Commands about the life of a rig: check-rig, history."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import numpy as np
import typer

from recon.cli.app import OUT, RigFolder, app, now_utc, progress_bars, table_of

if TYPE_CHECKING:
    from calibration.drift import CameraCheck, RigCheck

PicturesFolder = Annotated[
    Path | None, typer.Option(help="Folder with a new picture or video per camera, each named as its camera")
]
SessionOption = Annotated[Path | None, typer.Option(help="Look at the first second of this session's videos")]


@app.command("check-rig")
def check_rig(
    rig: RigFolder,
    pictures: PicturesFolder = None,
    session: SessionOption = None,
    mend: Annotated[bool, typer.Option("--mend", help="Register the cameras that moved anew")] = False,
    clicks: Annotated[Path | None, typer.Option(help="Court points clicked in the new pictures")] = None,
) -> None:
    """Tell whether the cameras still stand where the calibration has them."""
    from calibration.drift import check_rig as run_check
    from calibration.drift import mend_rig
    from calibration.folder import read_clicks, read_rig_folder

    folder = read_rig_folder(rig)
    path = folder.calibrated_rig_path
    with progress_bars() as tell:
        new = _new_pictures(folder.camera_names, pictures, session)
        found = run_check(path, new, clicks=read_clicks(clicks) if clicks else (), progress=tell)
    _print_check(found)
    for check in found.cameras:
        at = folder.root / "derived" / "check" / f"{check.camera}.png"
        _write_picture(at, found, check, new[check.camera])
        OUT.print(f"picture: {at}")
    if mend and not found.moved:
        OUT.print("no camera has moved; nothing was changed")
    elif mend:
        mended = mend_rig(path, found, new, now_utc())
        kept = mended.calibration
        if kept is not None:
            told = (
                "" if kept.worst_u_m is None else f"; worst u in the serve volume {1e3 * kept.worst_u_m:.1f} mm"
            )
            OUT.print(f"calibration {kept.short}: {kept.cause}{told}")
    elif found.moved:
        OUT.print("run the same command with --mend to register what moved anew; the old calibration is kept")


def _new_pictures(names: tuple[str, ...], pictures: Path | None, session: Path | None) -> dict[str, np.ndarray]:
    """One picture per camera that has a new one. Raises BadInput where there is none."""
    from calibration.drift import still_picture
    from calibration.errors import BadInput
    from recon.session import load_session

    if (pictures is None) == (session is None):
        raise BadInput("check-rig: want either --pictures FOLDER or --session SESSION, got both or neither")
    if session is not None:
        loaded = load_session(session)
        paths = {n: loaded.video_path(n) for n in names if n in loaded.file.video}
    else:
        assert pictures is not None
        paths = {p.stem: p for p in sorted(pictures.glob("*")) if p.stem in names}
    if not paths:
        raise BadInput(f"{session or pictures}: want a picture or video named as a camera ({', '.join(names)})")
    return {name: still_picture(paths[name]) for name in names if name in paths}


def _print_check(found: RigCheck) -> None:
    table = table_of(
        "camera", "moved?", "turned, degrees (k = 2)", "shifted, mm (k = 2)", "chance if still", "seen by"
    )
    for c in found.cameras:
        if c.moved is None:
            table.add_row(c.camera, "cannot be told", "", "", "", c.reason)
            continue
        agree = ", ".join(f"{e.agree} of {e.found} {e.kind}" for e in c.evidence)
        table.add_row(
            c.camera, "yes" if c.moved else "no", f"{c.turn_deg:.3f} ± {2 * c.u_turn_deg():.3f}",
            f"{c.shift_mm:.1f} ± {2 * c.u_shift_mm():.1f}", _chance(c.p_still), agree,
        )  # fmt: skip
    OUT.print(table)
    for c in found.cameras:
        if c.moved is False:
            OUT.print(
                f"{c.camera}: a turn of {np.degrees(c.turn_noticed_rad):.2f} degrees or a shift of "
                f"{1e3 * c.shift_noticed_m:.0f} mm would have been noticed in 95 of 100 cases"
            )
        if not c.with_reference:
            OUT.print(f"{c.camera}: no reference picture was kept; only the court's lines were compared")


def _chance(p: float) -> str:
    return f"{100 * p:.0f} %" if p >= 0.01 else f"{100 * p:.2f} %" if p >= 1e-4 else "below 0.01 %"


def _write_picture(path: Path, found: RigCheck, check: CameraCheck, new: np.ndarray) -> None:
    import cv2

    from calibration.drift import displacement_picture

    path.parent.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(path), displacement_picture(found.rig.camera(check.camera), check, new))


@app.command()
def history(rig: RigFolder) -> None:
    """List the calibrations that a rig has had, oldest first."""
    from calibration.folder import read_rig_folder
    from calibration.history import calibration_of, calibrations

    path = read_rig_folder(rig).calibrated_rig_path
    current = calibration_of(path)
    table = table_of(
        "", "calibration", "date (UTC)", "made by", "cameras", "worst u mm", "held out px", "clicks px"
    )
    for c in calibrations(path):
        mark = "in use" if current is not None and c.sha256 == current.sha256 else ""
        table.add_row(
            mark, c.short, (c.date_utc or "not known").removesuffix("+00:00"), c.cause, str(len(c.cameras)),
            _number(c.worst_u_m, 1e3, 1), _number(c.held_out_px, 1, 2), _number(c.click_rms_px, 1, 2),
        )  # fmt: skip
    OUT.print(table)
    if current is None and path.is_file():
        OUT.print("the calibration in use is not in the history; `courtplumb court` puts it there")


def _number(value: float | None, factor: float, digits: int) -> str:
    return "" if value is None else f"{factor * value:.{digits}f}"
