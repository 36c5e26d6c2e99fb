"""Whom the cameras follow when others are in the picture: rendered people, the real detector, true places.

`python -m benchmarks.people_in_view --machine "…" --date …` writes its table into the reconstruction's page.
Three invented scenes of one serve: a passer-by who comes between a camera and the server, with a second player
beyond the baseline; the same before two cameras; and a second player on the baseline beside the server, where a
pixel is asked for.
"""

from __future__ import annotations

import argparse
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from benchmarks.pages import circumstances, put, table, with_options
from calibration import save_rig
from calibration.checks import Array
from calibration.errors import NotMeasurable
from demo_rigs.company import Company, Onlooker, film_company
from demo_rigs.court_scene import background
from demo_rigs.description import Academy, load_academy
from demo_rigs.footage import finished
from demo_rigs.placed import Way
from demo_rigs.players import build_serve
from demo_rigs.truth import keypoints
from recon.assets import body_wheel
from recon.keypoints import ClipTracks
from recon.pipeline import PipelineOptions
from recon.pipeline.crew import Crew, Known
from recon.pipeline.detect import Found, _Reading, detect_tracks
from recon.pipeline.run import rig_of
from recon.pipeline.second_look import with_second_look
from recon.records import BODY
from recon.session import Session, load_session
from tests.support.example_rig import example_rig

PAGE = Path(__file__).resolve().parent.parent / "docs" / "evidence" / "reconstruction.md"
WORK = Path("build/people")
FPS = 60
SPAN_S = (0.3, 2.9)
_NEAR = 0.25  # of the body's height in the picture: hips within that are the server's
_CLOTHES = {"green": {"shirt": (0.2, 0.5, 0.3)}, "yellow": {"shirt": (0.7, 0.6, 0.2)}}


@dataclass(frozen=True, slots=True)
class Scene:
    """What is filmed: who is there besides the server, and the cameras."""

    name: str
    label: str
    onlookers: tuple[Onlooker, ...]
    cameras: tuple[str, ...]


def scenes(a: Academy) -> tuple[Scene, ...]:
    """The three scenes; all people in them are invented."""
    ada = a.serve("clean_right").athlete
    green, yellow = (replace(ada, key=k, colours={**ada.colours, **c}) for k, c in _CLOTHES.items())
    passer_by = Onlooker(
        replace(green, height_m=1.70), "clean_right", Way((-3.5, -2.8), (1.5, -3.0), (0.0, 3.0), -1.4, 0.0)
    )
    player = Onlooker(
        replace(yellow, height_m=1.85),
        "clean_right",
        Way((3.2, 5.5), (3.2, 5.5), (0, 1), 0.6, 0.0),
        racket=True,
    )
    beside = replace(player, way=Way((-1.6, -0.3), (-1.6, -0.3)))
    every, two = tuple(a.cameras), ("rear_left", "rear_right")
    return (
        Scene(
            "passing",
            "passer-by between a camera and the server, second player; 3 cameras",
            (passer_by, player),
            every,
        ),
        Scene("passing_two", "the same, 2 cameras", (passer_by, player), two),
        Scene("beside", "second player on the line, named by one pixel; 3 cameras", (beside,), every),
    )


def film(a: Academy, scene: Scene, wheel: Path, work: Path) -> Path:
    """The scene as a session folder; clips that are there are kept."""
    film_of = "passing" if scene.name == "passing_two" else scene.name
    folder, films = work / scene.name, work / film_of / "films"
    a = replace(a, picture=replace(a.picture, serve_fps=FPS))
    entry = a.serve("clean_right")
    shifts = {name: 0.05 * k for k, name in enumerate(a.cameras)}
    entry = replace(
        entry,
        starts_s={n: SPAN_S[0] + shifts[n] for n in a.cameras},
        ends_s={n: SPAN_S[1] + shifts[n] for n in a.cameras},
    )
    if not all((films / f"{name}.mp4").is_file() for name in a.cameras):
        backdrops = {name: _backdrop(a, name, work) for name in a.cameras}
        film_company(Company(a, entry, scene.onlookers, wheel), backdrops, films)
    folder.mkdir(parents=True, exist_ok=True)
    save_rig(folder / "rig.json", example_rig(tuple(a.cameras.values())))
    videos = "".join(f'{n} = "{(films / f"{n}.mp4").resolve().as_posix()}"\n' for n in scene.cameras)
    (folder / "session.toml").write_text(
        f'rig = "rig.json"\nhandedness = "right"\nathlete = "invented"\n[video]\n{videos}', encoding="utf-8"
    )
    return folder


def _backdrop(a: Academy, camera: str, work: Path) -> Array:
    path = work / f"backdrop_{camera}.npy"
    if not path.is_file():
        path.parent.mkdir(parents=True, exist_ok=True)
        picture = background(a.cameras[camera], a.seed, 2)
        with finished(path) as draft, draft.open("wb") as file:
            np.save(file, picture)
    return np.asarray(np.load(path))


def on_the_server(a: Academy, clips: Mapping[str, ClipTracks], wheel: Path) -> tuple[float, float]:
    """Shares of all frames with a body, and of those whose body is the server's; hips against the true ones."""
    serve = build_serve(wheel, a.serve("clean_right"))
    hips = np.array([BODY.index("left_hip"), BODY.index("right_hip")])
    seen, right = [], []
    for number, name in enumerate(a.cameras):
        if name not in clips:
            continue
        clip = clips[name]
        t = clip.t_cam_s + SPAN_S[0] + 0.05 * number
        points = keypoints(serve, serve.at(t))
        body = a.cameras[name].project(np.stack([points[n] for n in BODY], axis=1))
        found = clip.uv_px[:, : len(BODY)]
        off = np.linalg.norm((found[:, hips] - body[:, hips]).mean(axis=1), axis=1)
        there = ~np.isnan(off)
        seen.append(there)
        right.append(off[there] < _NEAR * np.ptp(body[there, :, 1], axis=1))
    return float(np.mean(np.concatenate(seen))), float(np.mean(np.concatenate(right)))


def by_itself(session: Session, found: Found) -> dict[str, ClipTracks] | None:
    """Every camera following whoever it takes for the server; None where it cannot choose."""
    reading = _Reading(session, found.read)
    try:
        with Crew(2) as crew:
            known = {name: Known() for name in found.read}
            return reading.pieces(known, crew, lambda *_: None, 2, lambda: None)
    except NotMeasurable:
        return None


def study(a: Academy, scene: Scene, wheel: Path, work: Path) -> list[str]:
    """One row of the table."""
    folder = film(a, scene, wheel, work)
    options = PipelineOptions(pictures=False)
    try:
        found = _found(folder, options)
        asked = "no"
    except NotMeasurable as question:
        line = re.search(r"\[server\] (.*)$", str(question))
        if line is None:
            raise
        asked = "yes"
        with (folder / "session.toml").open("a", encoding="utf-8") as file:
            file.write(f"\n[server]\n{_of_the_server(a, str(question), line.group(1), wheel)}\n")
        found = _found(folder, options)
    session = load_session(folder)
    rig = rig_of(session)
    checked = with_second_look(session, rig.cameras, found, options, lambda *_: None)
    last = {c.camera: replace(found.clips[c.camera], uv_px=c.uv_px) for c in checked.tracks.cameras}
    alone = by_itself(session, found)
    mended = None
    if alone is not None:
        by_all = replace(found, clips=alone, who="")
        second = with_second_look(session, rig.cameras, by_all, options, lambda *_: None)
        mended = {c.camera: replace(alone[c.camera], uv_px=c.uv_px) for c in second.tracks.cameras}
        for sentence in (*second.told, *second.trouble):
            print(f"{scene.name}, each camera by itself: {sentence}")
    cells = [_cell(a, clips, wheel) for clips in (alone, mended, found.clips, last)]
    for sentence in (*checked.told, *checked.trouble):
        print(f"{scene.name}: {sentence}")
    return [scene.label, asked, *cells]


def _found(folder: Path, options: PipelineOptions) -> Found:
    session = load_session(folder)
    return detect_tracks(session, rig_of(session).cameras, options, lambda *_: None)


def _of_the_server(a: Academy, question: str, line: str, wheel: Path) -> str:
    """Of the pixels that the question offers, those of one camera, the one nearest to the true server."""
    camera = line.split(" = ")[0]
    serve = build_serve(wheel, a.serve("clean_right"))
    points = keypoints(serve, serve.at(np.array([SPAN_S[0]])))
    true = a.cameras[camera].project((points["left_hip"] + points["right_hip"]) / 2)[0]
    offered = re.findall(rf"{camera} = \[(-?\d+), (-?\d+)\]", question)
    u, v = min(((int(u), int(v)) for u, v in offered), key=lambda p: float(np.hypot(*(true - p))))
    return f"{camera} = [{u}, {v}]"


def _cell(a: Academy, clips: Mapping[str, ClipTracks] | None, wheel: Path) -> str:
    if clips is None:
        return "refused"
    seen, right = on_the_server(a, clips, wheel)
    return f"{right:.1%} of {seen:.1%}"


def main(arguments: Sequence[str] | None = None) -> None:
    """Film, follow, compare, and write the page."""
    parser = with_options(argparse.ArgumentParser(description=__doc__))
    parser.set_defaults(page=PAGE)
    parser.add_argument("--work", type=Path, default=WORK, help="where clips are kept (default: %(default)s)")
    options = parser.parse_args(arguments)
    a, wheel = load_academy(), body_wheel()
    rows = [study(a, scene, wheel, options.work) for scene in scenes(a)]
    head = [
        "scene", "asked for a pixel", "each camera by itself", "and a second look",
        "told apart over cameras", "and a second look",
    ]  # fmt: skip
    text = f"{table(head, rows)}\n\n{circumstances(options, ('numpy', 'mediapipe'))}"
    print(text)
    put(options.page, "people", text)


if __name__ == "__main__":
    main()
