"""Runs the program over the filmed sessions, as a user would."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from benchmarks.measure_coverage.footage import session_folder
from benchmarks.measure_coverage.variations import Variation
from calibration.errors import CourtplumbError
from calibration.files import write_atomically
from recon.pipeline import PipelineOptions, measure_kept_tracks, measure_session
from recon.result import Result

REFUSED = "refused.txt"


def measure(work: Path, v: Variation, processes: int) -> str:
    """Measures one session from its videos; returns a word on how it went."""
    folder = session_folder(work, v)
    return _kept(folder, lambda: measure_session(folder, PipelineOptions(workers=processes, pictures=False)))


def measure_again(work: Path, v: Variation) -> str:
    """Measures one session anew from the tracks that were kept."""
    folder = session_folder(work, v)
    return _kept(folder, lambda: measure_kept_tracks(folder, PipelineOptions(workers=1, pictures=False)))


def _kept(folder: Path, run: Callable[[], Result]) -> str:
    """A serve that the program refuses is a finding: what it says is kept beside the session."""
    note = folder / REFUSED
    note.unlink(missing_ok=True)
    try:
        run()
    except CourtplumbError as error:
        said = str(error).replace(f"{folder.parent}/", "")  # a page names no path of one machine
        write_atomically(note, f"{said}\n")
        return f"refused: {said}"
    return "measured"
