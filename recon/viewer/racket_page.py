"""The page on which a person clicks points of the racket in single frames of each camera.

Every change is written to racket_points.csv at once, whole or not at all. What the page draws beside the
picture (the other cameras' clicks as lines, where the point is foretold) only helps; nothing is measured with
it.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calibration import Array, BadInput, frames
from recon.racket_points import (
    FILE_NAME,
    POINTS,
    Filmed,
    Foreteller,
    Row,
    Seen,
    placed,
    read_racket_points,
    still_wanted,
    wanted_instants,
    write_racket_points,
)
from recon.result import Result
from recon.viewer.local_page import DeskHandler, DeskServer, assets

_AROUND_S = 0.15  # that the page shows before trophy and after contact
_WITHOUT_TROPHY_S = 0.8  # before contact, where the trophy position is not known
_READ_AT_ONCE = 8  # frames
_KEPT = 300  # pictures: some 100 MB of full-HD video

HOW = {
    "racket_tip": "the far end of the frame, or the middle of its tape",
    "racket_throat": "where the frame's two arms meet the handle, or the middle of the tape there",
    "racket_butt": "the end of the handle, or the middle of its tape",
    "racket_edge_1": "the frame's edge where the head is widest, on one side",
    "racket_edge_2": "the frame's edge where the head is widest, on the other side",
}


class FramePictures:
    """Single frames of one video as JPEG files, some read ahead, the latest kept."""

    def __init__(self, filmed: Filmed) -> None:
        self._filmed, self._lock = filmed, threading.Lock()
        self._kept: OrderedDict[int, bytes] = OrderedDict()

    def picture(self, index: int) -> bytes:
        """The picture of a frame. Raises BadInput where the video cannot be read there."""
        with self._lock:
            if index not in self._kept:
                self._read(index)
            self._kept.move_to_end(index)
            return self._kept[index]

    def _read(self, index: int) -> None:
        t, half = self._filmed.frames.t_s, self._filmed.frames.step_s / 2
        last = min(index + _READ_AT_ONCE, len(t)) - 1
        for frame in frames(self._filmed.video, start_s=t[index] - half, stop_s=t[last] + half):
            at = int(np.abs(t - frame.t_s).argmin())
            done, data = cv2.imencode(".jpg", frame.image_bgr, [cv2.IMWRITE_JPEG_QUALITY, 92])
            if done:
                self._kept[at] = data.tobytes()
        while len(self._kept) > _KEPT:
            self._kept.popitem(last=False)
        if index not in self._kept:
            raise BadInput(f"{self._filmed.video.path}: frame {index} could not be read")


class RacketDesk:
    """What the page works on: a measured session, its videos, and the clicks as last saved."""

    def __init__(self, result: Result, filmed: Mapping[str, Filmed]) -> None:
        self.result = result
        self.filmed = {name: filmed[name] for name in result.rig.names if name in filmed}
        if not self.filmed:
            raise BadInput(f"{result.session.folder}: want a video of at least one camera to click in")
        self.path = result.session.folder / FILE_NAME
        self.pictures = {name: FramePictures(own) for name, own in self.filmed.items()}
        steps = {name: own.frames.step_s for name, own in self.filmed.items()}
        self._foreteller = Foreteller(result.rig.cameras, result.clocks, steps)
        self._lock = threading.Lock()
        self._rows, self._others = self._read_rows()

    def _read_rows(self) -> tuple[dict[tuple[str, int, str], Row], list[Row]]:
        """Rows of the cameras shown, by camera, frame and point; and the others, which are kept as they are."""
        rows = read_racket_points(self.path) if self.path.exists() else ()
        shown = [r for r in rows if r.camera in self.filmed]
        by_line = {r.line: r for r in shown}
        found = {}
        for p in placed(self.path, shown, {n: own.frames for n, own in self.filmed.items()}):
            frame = int(np.abs(self.filmed[p.camera].frames.t_s - p.t_s).argmin())
            found[p.camera, frame, p.point] = by_line[p.line]
        return found, [r for r in rows if r.camera not in self.filmed]

    def state(self) -> dict[str, Any]:
        """Everything the page starts from."""
        return {
            "session": self.result.session.folder.resolve().name,
            "cameras": [self._camera(name) for name in self.filmed],
            "points": [{"name": n, "how": HOW[n]} for n in POINTS],
            "clicks": [
                {"camera": c, "frame": f, "point": p, "u_px": r.u_px, "v_px": r.v_px, "sigma_px": r.sigma_px}
                for (c, f, p), r in sorted(self._rows.items())
            ],
            "wanted": self._wanted(),
        }

    def _camera(self, name: str) -> dict[str, Any]:
        own, clock = self.filmed[name].frames, self.result.clocks.of(name)
        rig = np.asarray(clock.rig_time(own.t_s))
        first, last = self._stretch(rig)

        def nearest(t_s: float) -> int:
            return int(np.abs(rig - t_s).argmin())

        low, high = nearest(first), nearest(last)
        events = {e.name: nearest(e.t_s) for e in self.result.events.events if e.t_s is not None}
        instants = sorted({nearest(t) for t in self._instants()})
        w, h = own.size_px
        return {
            "name": name, "width": w, "height": h, "first": low, "last": high,
            "rig_s": rig[low : high + 1].round(5).tolist(),
            "asked": [k for k in instants if low <= k <= high],
            "events": {n: k for n, k in events.items() if low <= k <= high},
        }  # fmt: skip

    def _instants(self) -> Array:
        time = self.result.events.time
        return wanted_instants(time("contact"), time("racket_low"))

    def _stretch(self, rig_s: Array) -> tuple[float, float]:
        """From trophy to contact and a little around; all there is where contact is not known."""
        trophy, contact = self.result.events.time("trophy"), self.result.events.time("contact")
        if contact is None:
            return float(rig_s[0]), float(rig_s[-1])
        return (contact - _WITHOUT_TROPHY_S if trophy is None else trophy) - _AROUND_S, contact + _AROUND_S

    def _seen(self) -> list[Seen]:
        return [
            Seen(camera, point, float(self.filmed[camera].frames.t_s[frame]), (row.u_px, row.v_px))
            for (camera, frame, point), row in self._rows.items()
        ]

    def _wanted(self) -> str:
        words = {name: name.replace("_", " ") for name in self.filmed}
        return still_wanted(self._seen(), list(self.filmed), words)

    def save(self, body: object) -> dict[str, Any]:
        """Take all clicks anew and write them. Raises BadInput and then leaves the file as it was."""
        if not isinstance(body, list):
            raise BadInput("points: want a list")
        rows: dict[tuple[str, int, str], Row] = {}
        for item in body:
            row = self._row(item)
            key = (row.camera, row.frame or 0, row.point)
            if key in rows:
                raise BadInput(f"points: {row.point} stands twice in frame {row.frame} of {row.camera}")
            rows[key] = row
        placed(self.path, list(rows.values()), {n: own.frames for n, own in self.filmed.items()})
        with self._lock:
            if rows or self._others:
                write_racket_points(self.path, [*rows.values(), *self._others])
            else:  # no file says the same
                self.path.unlink(missing_ok=True)
            self._rows = rows
        return {"saved": len(rows), "wanted": self._wanted()}

    def _row(self, item: object) -> Row:
        keys = {"camera", "frame", "point", "u_px", "v_px", "sigma_px"}
        if not isinstance(item, dict) or set(item) != keys:
            raise BadInput(f"points: want {', '.join(sorted(keys))}; got {item!r}")
        camera, frame, point = item["camera"], item["frame"], item["point"]
        if camera not in self.filmed or point not in POINTS or not isinstance(frame, int) or frame < 0:
            raise BadInput(f"points: want a camera, a frame and a point of this session; got {item!r}")
        try:
            u, v, sigma = (float(item[k]) for k in ("u_px", "v_px", "sigma_px"))
        except (TypeError, ValueError) as error:
            raise BadInput(f"points: want numbers, got {item!r}") from error
        if not (np.isfinite([u, v, sigma]).all() and sigma > 0):
            raise BadInput(f"points: want numbers and sigma_px > 0, got {item!r}")
        return Row(camera, point, round(u, 3), round(v, 3), frame, None, sigma)

    def help(self, body: object) -> dict[str, Any]:
        """Lines of other cameras' clicks in one frame, and where the point is foretold, if it can be."""
        if not isinstance(body, dict) or set(body) != {"camera", "frame", "point"}:
            raise BadInput(f"help: want camera, frame, point; got {body!r}")
        camera, frame, point = body["camera"], body["frame"], body["point"]
        if camera not in self.filmed or point not in POINTS or not isinstance(frame, int):
            raise BadInput(f"help: want a camera, a frame and a point of this session; got {body!r}")
        t = self.filmed[camera].frames.t_s
        if not 0 <= frame < len(t):
            raise BadInput(f"help: {camera} has {len(t)} frames, got {frame}")
        seen = self._seen()
        lines = self._foreteller.lines(seen, point, camera, float(t[frame]))
        place, how = self._place(seen, camera, frame, point)
        return {
            "lines": [{"camera": x.from_camera, "points": x.uv_px.round(2).tolist()} for x in lines],
            "foretold": None if place is None else place.round(2).tolist(),
            "how": how,
        }

    def _place(self, seen: list[Seen], camera: str, frame: int, point: str) -> tuple[Array | None, str]:
        t = float(self.filmed[camera].frames.t_s[frame])
        place = self._foreteller.place(seen, point, camera, t)
        if place is not None:
            return place, "foretold from your clicks"
        tracks = self.result.tracks
        if point in tracks.keypoints:
            own = tracks.of(camera)
            at = int(np.abs(own.t_cam_s - t).argmin())
            uv = own.uv_px[at, tracks.index(point)]
            if abs(own.t_cam_s[at] - t) < self.filmed[camera].frames.step_s / 2 and np.isfinite(uv).all():
                return uv, "as measured last"
        return None, ""


class _Handler(DeskHandler):
    server: DeskServer[RacketDesk]
    assets = assets("racket_page", "click_page.css", "clicked_picture.js")

    def get(self, path: str) -> bool:
        desk = self.server.desk
        _, _, camera, number = (*path.split("/"), "", "", "", "")[:4]
        if path == f"/frame/{camera}/{number}" and camera in desk.pictures and number.isdigit():
            if int(number) >= len(desk.filmed[camera].frames.t_s):
                return False
            self.answer(200, desk.pictures[camera].picture(int(number)), "image/jpeg")
            return True
        return super().get(path)

    def post(self, path: str, body: object) -> bool:
        if path == "/points":
            self.answer_json(200, self.server.desk.save(body))
        elif path == "/help":
            self.answer_json(200, self.server.desk.help(body))
        else:
            return super().post(path, body)
        return True


def click_racket(
    result: Result,
    filmed: Mapping[str, Filmed],
    *,
    port: int = 0,
    open_browser: bool = True,
    on_ready: Callable[[str], None] | None = None,
) -> Path:
    """Serve the page on this machine only, until "finish" is pressed or it is interrupted; the file clicked
    into.

    on_ready gets the page's address once it can be opened (the command line prints it).
    Raises BadInput where the file that is there is at fault, or there is no video.
    """
    desk = RacketDesk(result, filmed)
    DeskServer(port, _Handler, desk).serve(open_browser=open_browser, on_ready=on_ready)
    return desk.path
