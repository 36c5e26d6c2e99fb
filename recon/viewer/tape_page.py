"""The page on which a person shows tape and ball in pictures of a session, to have their colours measured.

Knows no colours itself: whoever opens the page judges and writes. Nothing is written before the button for it
is pressed, and then all of it or nothing.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import BadInput
from recon.viewer.local_page import DeskHandler, DeskServer, assets

Image = NDArray[np.uint8]
Shown = tuple[Image, str, float, float]
"""A picture, the part that was clicked in it, and where: (image, part, u, v)."""

HOW = {
    "tip": "the tape at the far end of the frame",
    "throat": "the tape where the frame's two arms meet the handle",
    "butt": "the tape around the end of the handle",
    "ball": "the ball, on its lit side",
    "edge_1": "the tape at one side of the head, where there is any",
    "edge_2": "the tape at the other side of the head, of the same colour",
}
"""What to click. What follows the underscore only tells two of one part from each other."""

_KEPT = 8  # pictures as they were decoded: some 200 MB at the largest sizes
_FINER = 4  # per pixel, of the grid on which outlines are drawn


class Film(Protocol):
    """Pictures of one camera, by their number."""

    @property
    def name(self) -> str: ...
    @property
    def size_px(self) -> tuple[int, int]: ...
    @property
    def count(self) -> int: ...
    @property
    def step_s(self) -> float: ...
    def picture(self, index: int) -> Image: ...


class Patch(Protocol):
    """What is taken as tape, as recon.keypoints.TapePatch describes it."""

    @property
    def hue_deg(self) -> float: ...
    @property
    def spread_deg(self) -> float: ...
    @property
    def saturation(self) -> float: ...
    @property
    def value(self) -> float: ...
    @property
    def inside(self) -> NDArray[np.bool_]: ...


class Judged(Protocol):
    """Patches or why there is none, and what speaks against them, as recon.pipeline.tape.JudgedTape says."""

    @property
    def patches(self) -> Sequence[Patch | str]: ...
    @property
    def kept_deg(self) -> Mapping[str, float]: ...
    @property
    def refusal(self) -> str | None: ...
    @property
    def cautions(self) -> Sequence[str]: ...


Judge = Callable[[Sequence[Shown]], Judged]
Write = Callable[[Sequence[Shown]], str]
"""Writes what was measured; says in words what was written. Raises BadInput, and then wrote nothing."""


def outlines_px(inside: NDArray[np.bool_]) -> list[list[list[float]]]:
    """Closed lines (u, v) around the pixels of a patch and its holes, 1/8 px within their borders."""
    v, u = np.nonzero(inside)
    own = inside[v.min() : v.max() + 1, u.min() : u.max() + 1].astype(np.uint8)
    fine = np.kron(own, np.ones((_FINER, _FINER), np.uint8))
    lines, _ = cv2.findContours(fine, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    corner = np.array([u.min(), v.min()]) - 0.5
    return [((np.asarray(line)[:, 0] + 0.5) / _FINER + corner).round(3).tolist() for line in lines]


class TapeDesk:
    """What the page works on: films, and those who judge and write."""

    def __init__(
        self, title: str, films: Sequence[Film], judge: Judge, write: Write, start_s: float = 0.0
    ) -> None:
        if not films:
            raise BadInput(f"{title}: want a video of at least one camera, or a picture, to click in")
        self.title, self.films, self.start_s = title, tuple(films), start_s
        self._judge, self._write, self._busy = judge, write, threading.Lock()
        self.image = lru_cache(maxsize=_KEPT)(self._read)

    def _read(self, film: int, index: int) -> Image:
        return self.films[film].picture(index)

    def state(self) -> dict[str, Any]:
        """Everything the page starts from."""
        return {
            "session": self.title, "start_s": self.start_s,
            "cameras": [_film_as_json(film) for film in self.films],
            "parts": [{"name": n, "how": how} for n, how in HOW.items()],
        }  # fmt: skip

    def jpeg(self, film: int, index: int) -> bytes:
        """A picture for the screen. Raises BadInput where it cannot be read."""
        return cv2.imencode(".jpg", self.image(film, index), [cv2.IMWRITE_JPEG_QUALITY, 95])[1].tobytes()

    def judged(self, body: object) -> dict[str, Any]:
        """What would be taken at each click, by part, and what speaks against it."""
        clicks = self._clicks(body)
        found = self._judge(list(clicks.values()))
        parts = {
            name: _reason(shown, patch) if isinstance(patch, str) else _as_json(shown[0], patch)
            for (name, shown), patch in zip(clicks.items(), found.patches, strict=True)
        }
        kept = {name: found.kept_deg.get(_part(name)) for name in HOW}
        return {"parts": parts, "kept_deg": kept, "refusal": found.refusal, "cautions": list(found.cautions)}

    def written(self, body: object) -> dict[str, Any]:
        """Have all clicks measured and written. Raises BadInput, and then nothing is written."""
        clicks = self._clicks(body)
        with self._busy:
            return {"written": self._write(list(clicks.values()))}

    def _clicks(self, body: object) -> dict[str, Shown]:
        if not isinstance(body, list):
            raise BadInput("clicks: want a list")
        clicks: dict[str, Shown] = {}
        for item in body:
            name, film, index, u, v = self._click(item)
            if name in clicks:
                raise BadInput(f"clicks: want each part once, got {name} twice")
            clicks[name] = (self.image(film, index), _part(name), u, v)
        return clicks

    def _click(self, item: object) -> tuple[str, int, int, float, float]:
        keys = {"camera", "at", "part", "u_px", "v_px"}
        if not isinstance(item, dict) or set(item) != keys:
            raise BadInput(f"clicks: want {', '.join(sorted(keys))}; got {item!r}")
        films = {film.name: number for number, film in enumerate(self.films)}
        name, camera, index = item["part"], item["camera"], item["at"]
        if name not in HOW or camera not in films or type(index) is not int:
            raise BadInput(f"clicks: want a part, a camera and a picture of this session; got {item!r}")
        film = self.films[films[camera]]
        if not 0 <= index < film.count:
            raise BadInput(f"clicks: {camera} has {film.count} pictures, got {index}")
        try:
            u, v = float(item["u_px"]), float(item["v_px"])
        except (TypeError, ValueError) as error:
            raise BadInput(f"clicks: want numbers, got {item!r}") from error
        if not np.isfinite([u, v]).all():
            raise BadInput(f"clicks: want numbers, got {item!r}")
        return name, films[camera], index, u, v


def _film_as_json(film: Film) -> dict[str, Any]:
    width, height = film.size_px
    return {"name": film.name, "width": width, "height": height, "count": film.count, "step_s": film.step_s}


def _part(name: str) -> str:
    return name.partition("_")[0]


def _reason(shown: Shown, words: str) -> dict[str, Any]:
    return {"refusal": words.removeprefix(f"{shown[1]}: ")}  # the page says beside it which part it is


def _as_json(image: Image, patch: Patch) -> dict[str, Any]:
    blue, green, red = (round(float(c)) for c in image[patch.inside].mean(axis=0))
    return {
        "hue_deg": patch.hue_deg, "spread_deg": patch.spread_deg, "saturation": patch.saturation,
        "value": patch.value, "pixels": int(patch.inside.sum()), "colour": f"rgb({red}, {green}, {blue})",
        "outlines": outlines_px(patch.inside),
    }  # fmt: skip


class _Handler(DeskHandler):
    server: DeskServer[TapeDesk]
    assets = assets("tape_page", "click_page.css", "clicked_picture.js")

    def get(self, path: str) -> bool:
        desk = self.server.desk
        _, what, film, index = (*path.split("/"), "", "", "", "")[:4]
        if what == "picture" and film.isdecimal() and index.isdecimal():
            if int(film) >= len(desk.films) or int(index) >= desk.films[int(film)].count:
                return False
            self.answer(200, desk.jpeg(int(film), int(index)), "image/jpeg")
            return True
        return super().get(path)

    def post(self, path: str, body: object) -> bool:
        if path == "/judge":
            self.answer_json(200, self.server.desk.judged(body))
        elif path == "/write":
            self.answer_json(200, self.server.desk.written(body))
        else:
            return super().post(path, body)
        return True


def click_tape(
    desk: TapeDesk,
    *,
    port: int = 0,
    open_browser: bool = True,
    on_ready: Callable[[str], None] | None = None,
) -> None:
    """Serve the page on this machine only, until "finish" is pressed or it is interrupted.

    on_ready gets the page's address once it can be opened (the command line prints it).
    """
    DeskServer(port, _Handler, desk).serve(open_browser=open_browser, on_ready=on_ready)
