"""The guide at work: reads all sources, judges their pictures, keeps the coverage pictures up to date.

One thread judges; each source has a reader of its own. What the page shows is taken under one lock.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from calibration.board import Board
from calibration.errors import BadInput, CourtplumbError
from calibration.files import load_lens, write_atomically
from calibration.folder import RigFolder
from calibration.footage import Image
from calibration.geometry.camera import Camera
from calibration.guide.follow import Arrival, Patience
from calibration.guide.judge import Judge, Judged, Standing, Verdict
from calibration.guide.live import Reader, is_live
from calibration.guide.picture import coverage_picture, jpeg, live_picture, png
from calibration.guide.together import HoldWatch, Moment, SharedMoments, SharedStanding, shared_standing
from calibration.shared import BoardFootage, match_set
from calibration.views import Hold

_RATE_HZ = 10.0  # of finished footage: a hold of 0.25 s still shows in three pictures
_ROUGH_VIEWS = 4  # from so many on, the views' own lens is good enough to match holds by


@dataclass(frozen=True, slots=True)
class Source:
    """What one camera's pictures are for. where: a path, a device or an address.

    for_lens    they are judged as lens footage
    shared_set  number of the shared set that their holds belong to; None where they belong to none
    """

    camera: str
    where: str
    for_lens: bool
    shared_set: int | None

    @property
    def label(self) -> str:
        """The camera, and which shared set if that is all these pictures are for."""
        return self.camera if self.for_lens else f"{self.camera}, shared set {(self.shared_set or 0) + 1}"

    def picture_path(self, root: Path) -> Path:
        """derived/guide/<camera>.png, or derived/guide/shared_<n>/<camera>.png."""
        folder = root / "derived" / "guide"
        folder = folder if self.for_lens else folder / f"shared_{(self.shared_set or 0) + 1}"
        return folder / f"{self.camera}.png"


def sources_of(folder: RigFolder, camera: str | None, given: Mapping[str, str]) -> tuple[Source, ...]:
    """What to watch: the given sources, each for the lens and, if there are several, for one shared set; else
    the footage that rig.toml names, for the lenses and the shared sets.

    camera: only this one's lens. Raises BadInput for a camera that the rig does not have.
    """
    for name in (*given, *([] if camera is None else [camera])):
        folder.camera(name)
    wanted = [n for n in folder.camera_names if camera in (None, n)]
    if given:
        known = [n for n in wanted if n in given]
        return tuple(Source(n, given[n], True, 0 if len(known) > 1 else None) for n in known)
    lenses = [Source(n, str(folder.camera(n).lens_footage), True, None) for n in wanted]
    if camera is not None:
        return tuple(lenses)
    sets = [
        Source(name, str(path), False, number)
        for number, shared in enumerate(folder.shared)
        for name, path in shared.items()
    ]
    return tuple(lenses + sets)


class Watch:
    """One source: its reader, its judge (from the first picture on), its holds, its newest picture."""

    def __init__(self, source: Source, board: Board, patience: Patience) -> None:
        self.source, self.board = source, board
        self.reader = Reader(source.where, patience)
        self.judge: Judge | None = None
        self.holds = HoldWatch(board)
        self.names: list[str] = []
        self.last: Judged | None = None
        self.image: Image | None = None
        self.unusable: CourtplumbError | None = None
        self.pictures = 0
        self._offset_s = float("inf")
        self._last_s = float("-inf")

    @property
    def fault(self) -> CourtplumbError | None:
        """Why the source could not be read, or its pictures not be used."""
        return self.unusable or self.reader.fault

    @property
    def ended(self) -> bool:
        """Nothing more will come, or what came could not be used."""
        return self.unusable is not None or self.reader.ended

    @property
    def is_pictures(self) -> bool:
        """A folder of pictures: no times, no motion."""
        return bool(self.names)

    def take(self) -> tuple[Judged, Hold | None] | None:
        """Judges the next picture, if one came; also a hold on the common clock that it ended."""
        arrival = self.reader.take()
        if arrival is None:
            return None
        if not arrival.live and not arrival.name and arrival.t_s < self._last_s + 1 / _RATE_HZ - 1e-6:
            return None
        self._last_s = arrival.t_s
        image = arrival.picture()
        if self.judge is None:
            size = (image.shape[1], image.shape[0])
            self.judge = Judge(self.source.camera, self.board, size, timed=not arrival.name)
        judged = self.judge.feed(arrival.t_s, image)
        self.last, self.image = judged, image
        self.pictures += 1
        return judged, self._held(arrival, judged)

    def _held(self, arrival: Arrival, judged: Judged) -> Hold | None:
        if arrival.name:
            if judged.corners_px is not None:
                self.names.append(arrival.name)
                self.holds.done.append(Hold(arrival.t_s, arrival.t_s, judged.corners_px))
            return None
        hold = self.holds.feed(arrival.t_s, judged)
        if not arrival.live:
            return None
        # pictures come in bunches; the one that waited least tells best how the clocks lie
        self._offset_s = min(self._offset_s, arrival.arrival_s - arrival.t_s)
        if hold is None:
            return None
        return Hold(hold.start_s + self._offset_s, hold.stop_s + self._offset_s, hold.corners_px)


class GuideSession:
    """All sources of one rig. Make it, then run(); the page reads panes() and pictures meanwhile."""

    def __init__(self, folder: RigFolder, sources: Sequence[Source], patience: Patience) -> None:
        if not sources:
            raise BadInput(f"{folder.root / 'rig.toml'}: no footage to watch")
        self.folder, self._patience = folder, patience
        self.watches = tuple(Watch(s, folder.board, patience) for s in sources)
        self.lock = threading.RLock()
        self._numbers = sorted({s.shared_set for s in sources if s.shared_set is not None})
        self._live_moments = {n: SharedMoments() for n in self._numbers}
        self._matched: dict[int, tuple[Moment, ...]] = {}
        self.notes: list[str] = []

    def run(self, on_change: Callable[[Watch], None] = lambda watch: None) -> None:
        """Judges until every source has ended or patience.stopped(); then matches what was filmed together."""
        for watch in self.watches:
            watch.reader.start()
        try:
            while not self._patience.stopped() and not all(w.ended for w in self.watches):
                came = [w for w in self.watches if not w.ended and self._step(w)]
                for watch in came:
                    on_change(watch)
                if not came:
                    self._patience.sleep(0.01)
        finally:
            self.run_out()

    def standing(self, watch: Watch) -> Standing | None:
        """A source's standing; None before its first picture."""
        with self.lock:
            return None if watch.judge is None else watch.judge.standing()

    def shared(self) -> dict[int, SharedStanding]:
        """Per shared set, how well its cameras are tied together."""
        out = {}
        with self.lock:
            for number in self._numbers:
                sizes = {
                    w.source.camera: (w.judge.size_px if w.judge else (1, 1))
                    for w in self.watches
                    if w.source.shared_set == number
                }
                moments = self._matched.get(number, self._live_moments[number].shared())
                out[number] = shared_standing(sizes, moments)
        return out

    def live_jpeg(self, number: int) -> bytes | None:
        """The newest picture of a source with the next place drawn in; None before the first one."""
        watch = self.watches[number]
        with self.lock:
            image, judged, standing = watch.image, watch.last, self.standing(watch)
        if image is None or standing is None:
            return None
        show = watch.source.for_lens and standing.missing and not standing.enough
        return jpeg(live_picture(image, judged, standing.missing[0] if show else None, self.folder.board))

    def enough(self) -> bool:
        """Whether every lens and every shared set has what it needs, and no source failed."""
        lenses = [self.standing(w) for w in self.watches if w.source.for_lens]
        return (
            all(s is not None and s.enough for s in lenses)
            and all(s.enough for s in self.shared().values())
            and all(w.fault is None for w in self.watches)
        )

    def _step(self, watch: Watch) -> bool:
        with self.lock:
            try:
                taken = watch.take()
            except CourtplumbError as error:
                watch.unusable = error
                return True
            if taken is None:
                return False
            judged, hold = taken
            if hold is not None and watch.source.shared_set is not None:
                self._live_moments[watch.source.shared_set].add(watch.source.camera, hold)
        if judged.verdict is Verdict.ACCEPTED:
            self._draw(watch)
        return True

    def _draw(self, watch: Watch) -> None:
        if watch.judge is not None:
            drawn = coverage_picture(watch.judge.standing(), self.folder.board, watch.judge.kept)
            write_atomically(watch.source.picture_path(self.folder.root), png(drawn))

    def run_out(self) -> None:
        """Ends holds under way and matches the shared sets that are files; run() calls it at the end."""
        with self.lock:
            for watch in self.watches:
                watch.holds.close()
            for number in self._numbers:
                self._match(number)

    def _match(self, number: int) -> None:
        """Joins finished files by their holds' pattern, as the calibration does; better than by arrival."""
        parts, lenses = {}, {}
        for watch in (w for w in self.watches if w.source.shared_set == number):
            if watch.judge is None or is_live(watch.source.where):
                continue
            camera = self._lens(watch)
            if camera is not None and watch.holds.done:
                name, path = watch.source.camera, Path(watch.source.where)
                holds = tuple(watch.holds.done)
                lenses[name] = camera
                parts[name] = BoardFootage(
                    path, watch.judge.size_px, not watch.is_pictures, holds, tuple(watch.names)
                )
        if len(parts) < 2:
            return
        try:
            matched = match_set(parts, lenses, self.folder.board)
        except BadInput as error:
            self.notes.append(str(error))
            return
        self._matched[number] = tuple(v.corners_px for v in matched.views)

    def _lens(self, watch: Watch) -> Camera | None:
        """The camera's calibrated lens where there is one, else that of these views."""
        path = self.folder.lens_path(watch.source.camera)
        if path.is_file():
            lens = load_lens(path)
            if watch.judge is not None and lens.size_px == watch.judge.size_px:
                return lens.as_camera()
        if watch.judge is None or len(watch.judge.kept) < _ROUGH_VIEWS:
            return None
        return watch.judge.lens.camera
