"""The coverage picture of one camera, and the live picture with the next place to hold the board drawn in."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import cv2
import numpy as np

from calibration.board import Board
from calibration.checks import Array
from calibration.footage import Image
from calibration.guide.coverage import DISTANCES, TILTS
from calibration.guide.judge import Judged, KeptView, Standing
from calibration.guide.plan import Suggestion
from calibration.guide.words import REJECTED, advice, counted, uncertainty_words

# Okabe & Ito (2008), as BGR
INK, QUIET, PAPER = (51, 41, 31), (115, 103, 91), (255, 255, 255)
_SEEN, _NEXT = (178, 114, 0), (0, 94, 213)  # blue, vermilion
_REACHED, _HATCH = (246, 228, 205), (205, 205, 205)
_PICTURE_W, _PANEL_W, _EDGE = 800, 420, 20
_HATCH_PX = 9
_LIVE_WIDTH_PX = 960


@lru_cache(maxsize=1)
def _font() -> cv2.FontFace:
    return cv2.FontFace("sans")


def coverage_picture(standing: Standing, board: Board, kept: tuple[KeptView, ...]) -> Image:
    """(H, 1280, 3) BGR: fields reached with their number of corners, fields not reached hatched, boards seen,
    the next place drawn as a board, and the counts beside it."""
    width, height = standing.size_px
    scale = _PICTURE_W / width
    field_h = round(height * scale)
    canvas_h = max(field_h + 90, 540)
    canvas = np.full((canvas_h, _PICTURE_W + _PANEL_W + 3 * _EDGE, 3), 255, np.uint8)
    field = canvas[_EDGE : _EDGE + field_h, _EDGE : _EDGE + _PICTURE_W]
    _draw_fields(field, standing.coverage.cells)
    for view in kept:
        _draw_seen(field, view.seen.corners_px, scale)
    if standing.missing and not standing.enough:
        suggestion = standing.missing[0]
        draw_ghost(field, suggestion, board, scale)
        _draw_arrow(field, kept, suggestion, scale)
    cv2.rectangle(canvas, (_EDGE - 1, _EDGE - 1), (_EDGE + _PICTURE_W, _EDGE + field_h), INK, 2)
    _draw_key(canvas, _EDGE + field_h + 30)
    _draw_panel(canvas, standing, _PICTURE_W + 2 * _EDGE)
    return canvas


def live_picture(image: Image, judged: Judged | None, suggestion: Suggestion | None, board: Board) -> Image:
    """The camera's picture, at most 960 px wide, with the board as found and the next place; nothing written in
    it, so that it may be mirrored."""
    scale = min(1.0, _LIVE_WIDTH_PX / image.shape[1])
    out = np.asarray(cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    if out.ndim == 2:
        out = np.asarray(cv2.cvtColor(out, cv2.COLOR_GRAY2BGR), np.uint8)
    if judged is not None and judged.corners_px is not None:
        for u, v in _pixels(judged.corners_px, scale):
            cv2.circle(out, (u, v), 4, PAPER, -1, cv2.LINE_AA)
            cv2.circle(out, (u, v), 3, _SEEN, -1, cv2.LINE_AA)
    if suggestion is not None:
        draw_ghost(out, suggestion, board, scale)
    return out


def draw_ghost(field: Image, suggestion: Suggestion, board: Board, scale: float) -> None:
    """The board as it should be seen: its outline, and its squares so that the tilt shows."""
    outline = _pixels(suggestion.outline_px, scale)
    squares = _pixels(suggestion.corners_px, scale).reshape(board.rows, board.columns, 2)
    shade = field.copy()
    for i in range(board.rows - 1):
        for j in range(board.columns - 1):
            if (i + j) % 2 == 0:
                corners = np.array([squares[i, j], squares[i, j + 1], squares[i + 1, j + 1], squares[i + 1, j]])
                cv2.fillConvexPoly(shade, corners, _NEXT, cv2.LINE_AA)
    cv2.addWeighted(shade, 0.45, field, 0.55, 0, dst=field)
    cv2.polylines(field, [outline], True, PAPER, 7, cv2.LINE_AA)
    cv2.polylines(field, [outline], True, _NEXT, 4, cv2.LINE_AA)


def png(image: Image) -> bytes:
    """The picture as a PNG file; same picture, same bytes."""
    return cv2.imencode(".png", image, [cv2.IMWRITE_PNG_COMPRESSION, 9])[1].tobytes()


def jpeg(image: Image) -> bytes:
    """The picture as a JPEG file."""
    return cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 80])[1].tobytes()


def _pixels(points_px: Array, scale: float) -> np.ndarray[tuple[int, ...], np.dtype[np.int32]]:
    return np.asarray(np.rint((points_px + 0.5) * scale - 0.5), dtype=np.int32)


def _draw_fields(field: Image, cells: np.ndarray[tuple[int, ...], np.dtype[np.int_]]) -> None:
    rows, columns = cells.shape
    down = np.rint(np.linspace(0, field.shape[0], rows + 1)).astype(int)
    across = np.rint(np.linspace(0, field.shape[1], columns + 1)).astype(int)
    v, u = np.indices(field.shape[:2])
    hatch = (u + v) % _HATCH_PX == 0
    for i in range(rows):
        for j in range(columns):
            here = (slice(down[i], down[i + 1]), slice(across[j], across[j + 1]))
            if cells[i, j]:
                field[here] = _REACHED
                at = (int(across[j]) + 5, int(down[i]) + 15)
                cv2.putText(field, str(int(cells[i, j])), at, QUIET, _font(), 12, 400)
            else:
                field[here][hatch[here]] = _HATCH
    for x in across[1:-1]:
        cv2.line(field, (int(x), 0), (int(x), field.shape[0]), _HATCH, 1)
    for y in down[1:-1]:
        cv2.line(field, (0, int(y)), (field.shape[1], int(y)), _HATCH, 1)


def _draw_seen(field: Image, corners_px: Array, scale: float) -> None:
    points = _pixels(corners_px, scale)
    cv2.polylines(field, [cv2.convexHull(points)], True, _SEEN, 1, cv2.LINE_AA)
    for u, v in points:
        cv2.circle(field, (int(u), int(v)), 1, _SEEN, -1, cv2.LINE_AA)


def _draw_arrow(field: Image, kept: tuple[KeptView, ...], suggestion: Suggestion, scale: float) -> None:
    if not kept:
        return
    start = _pixels(kept[-1].seen.corners_px.mean(axis=0), scale)
    way = suggestion.corners_px.mean(axis=0) - kept[-1].seen.corners_px.mean(axis=0)
    long = float(np.linalg.norm(way))
    reach = 0.3 * float(np.linalg.norm(np.ptp(suggestion.outline_px, axis=0)))  # it ends inside the next board
    if long < 2 * reach:
        return
    end = start + np.rint(way * scale * (1 - reach / long)).astype(np.int32)
    for colour, thick in ((PAPER, 8), (INK, 4)):
        cv2.arrowedLine(field, start.tolist(), end.tolist(), colour, thick, cv2.LINE_AA, tipLength=0.12)


def _draw_key(canvas: Image, top: int) -> None:
    """Two rows under the picture."""
    hatch = canvas[top - 14 : top + 2, _EDGE : _EDGE + 24]
    v, u = np.indices(hatch.shape[:2])
    hatch[(u + v) % _HATCH_PX == 0] = _HATCH
    cv2.rectangle(canvas, (_EDGE, top - 14), (_EDGE + 24, top + 2), QUIET, 1)
    _write(canvas, "no corner yet", (_EDGE + 34, top), 15)
    cv2.rectangle(canvas, (_EDGE + 200, top - 14), (_EDGE + 224, top + 2), _REACHED, -1)
    _write(canvas, "7", (_EDGE + 208, top - 1), 13, QUIET)
    _write(canvas, "number of corners seen in the field", (_EDGE + 234, top), 15)
    cv2.rectangle(canvas, (_EDGE + 560, top - 14), (_EDGE + 584, top + 2), _SEEN, 1)
    _write(canvas, "board seen, its inner corners", (_EDGE + 594, top), 15)
    low = top + 28
    cv2.rectangle(canvas, (_EDGE + 2, low - 13), (_EDGE + 23, low + 1), _NEXT, 3)
    _write(canvas, "hold the board here next", (_EDGE + 34, low), 15)
    cv2.arrowedLine(canvas, (_EDGE + 230, low - 6), (_EDGE + 262, low - 6), INK, 3, cv2.LINE_AA, tipLength=0.4)
    _write(canvas, "from the last place to the next", (_EDGE + 274, low), 15)


def _draw_panel(canvas: Image, standing: Standing, left: int) -> None:
    y = _write(canvas, f"camera {standing.camera}", (left, 44), 26, weight=700)
    head, words = advice(standing)
    y = _write(canvas, head, (left, y + 24), 19, _NEXT if not standing.enough else _SEEN, 700)
    y = _paragraph(canvas, words, (left, y + 6), 18)
    y += 12
    if standing.worst_u_px is not None:
        y = _paragraph(canvas, uncertainty_words(standing), (left, y), 15, QUIET)
    c = standing.coverage
    lines = (
        f"{counted(standing.views, 'view')} accepted; corners reached {100 * c.share:.0f} % of the picture",
        "distance: " + _counted(DISTANCES, c.distances),
        "tilt, as in the picture: " + _counted(TILTS, c.tilts),
        "pictures set aside: " + _counted(REJECTED, tuple(standing.counts.get(v, 0) for v in REJECTED)),
    )
    for line in lines:
        y = _paragraph(canvas, line, (left, y + 8), 15)


def _counted(kinds: Sequence[str], counts: Sequence[int]) -> str:
    return ", ".join(f"{kind} {n}" for kind, n in zip(kinds, counts, strict=True))


def _write(
    canvas: Image, text: str, at: tuple[int, int], size: int,
    colour: tuple[int, int, int] = INK, weight: int = 400,
) -> int:  # fmt: skip
    """Writes one line with its baseline at `at`; returns where the next may begin."""
    cv2.putText(canvas, text, at, colour, _font(), size, weight)
    return at[1] + round(0.3 * size)


def _paragraph(
    canvas: Image, text: str, at: tuple[int, int], size: int, colour: tuple[int, int, int] = INK
) -> int:
    """Writes text folded to the panel's width, its top at `at`; returns its bottom."""
    x, y = at
    line = ""
    for word in text.split():
        longer = f"{line} {word}".strip()
        (_, _, width, _) = cv2.getTextSize((9999, 99), longer, (0, 0), _font(), size, 400)
        if width > _PANEL_W - 10 and line:
            y += round(1.3 * size)
            _write(canvas, line, (x, y), size, colour)
            line = word
        else:
            line = longer
    y += round(1.3 * size)
    _write(canvas, line, (x, y), size, colour)
    return y + 4
