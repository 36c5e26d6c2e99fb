"""A serve filmed with other people in the picture: an invented passer-by and an invented second player."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.checks import Array
from demo_rigs.description import Academy, Athlete, ServeEntry
from demo_rigs.effects import Sensor
from demo_rigs.footage import clip
from demo_rigs.placed import PlacedServe, Way
from demo_rigs.players import build_serve
from demo_rigs.serve_footage import ServeCamera

_SERVER_M = (0.3, 0.0)  # about where a scripted serve stands: only tells who hides whom


@dataclass(frozen=True, slots=True)
class Onlooker:
    """Somebody else in the picture: athlete, the script that they stand or move by, their way, and a racket."""

    athlete: Athlete
    script: str
    way: Way
    racket: bool = False


class Company:
    """A serve and its onlookers, ready to be filmed by any camera."""

    def __init__(self, a: Academy, entry: ServeEntry, onlookers: Sequence[Onlooker], wheel: Path) -> None:
        self.academy, self.entry = a, entry
        serve = build_serve(wheel, entry)
        self._cast = [(serve, entry, Way(_SERVER_M, _SERVER_M), True)]
        for who in onlookers:
            own = ServeEntry("onlooker", who.athlete, {}, {}, who.script)
            self._cast.append((PlacedServe(build_serve(wheel, own), who.way), own, who.way, who.racket))

    def camera(self, name: str, backdrop: Array) -> CompanyCamera:
        """What one camera takes."""
        shots = [
            (ServeCamera(self.academy, serve, entry, name, backdrop, racket=racket), way)
            for serve, entry, way, racket in self._cast
        ]
        return CompanyCamera(shots, self.academy.cameras[name].centre_m()[:2])


class CompanyCamera:
    """Clean pictures of a serve and onlookers as one camera takes them: who is nearer hides who is farther."""

    def __init__(self, shots: Sequence[tuple[ServeCamera, Way]], eye_m: Array) -> None:
        self._shots, self._eye = shots, eye_m

    def pictures(self, times: Array) -> list[Array]:
        """(H, W, 3) uint8 pictures at mid-exposure times."""

        def far(way: Way) -> float:
            return float(np.linalg.norm(way.at(times) - self._eye, axis=1).mean())

        pictures = None
        for shot, _ in sorted(self._shots, key=lambda s: -far(s[1])):
            pictures = shot.pictures(times, pictures)
        assert pictures is not None
        return pictures


def film_company(company: Company, backdrops: Mapping[str, Array], folder: Path) -> None:
    """One clip per camera, CAMERA.mp4 in the folder; times and frame rate as the description has them."""
    a, entry = company.academy, company.entry
    folder.mkdir(parents=True, exist_ok=True)
    for number, camera in enumerate(a.cameras):
        start, end, fps = entry.starts_s[camera], entry.ends_s[camera], a.picture.serve_fps
        times = start + np.arange(int((end - start) * fps)) / fps
        shots = company.camera(camera, backdrops[camera])
        sensor = Sensor(a.picture.shot_noise, a.picture.read_noise, a.seed + number)
        with clip(folder / f"{camera}.mp4", a.picture.size_px, fps, a.picture.serve_crf) as out:
            for first in range(0, len(times), 12):
                for picture in shots.pictures(times[first : first + 12]):
                    out.add(sensor.expose(picture))
