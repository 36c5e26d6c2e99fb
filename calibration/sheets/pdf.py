"""The PDF of a board on paper: the pattern at true scale, rulers to measure the print, and what to do."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from calibration.board_form import measured_lines
from calibration.files import write_atomically
from calibration.sheets.layout import EDGE_MM, RULER_MM, Page, Plan
from calibration.sheets.pattern import Rectangle, black_rectangles_mm
from calibration.sheets.words import READING_U_MM, TILE_LINES, instructions

_TEXT_PT, _SMALL_PT, _HEAD_PT = 7.5, 6.5, 11.0
_LINE_MM = 2.75
_INK = 0.0
_GUIDE_WORDS_MM = 100.0  # of a poster's first page, above and below the map
_TICKS_MM = {10: 4.2, 5: 3.0, 1: 1.9}  # of a ruler's marks, every so many millimetres


def write_sheets(path: Path | str, plan: Plan) -> None:
    """Writes the PDF, whole or not at all; the same plan gives the same bytes."""
    data = BytesIO()
    canvas = Canvas(data, pagesize=(plan.size_mm[0] * mm, plan.size_mm[1] * mm), invariant=1)
    canvas.setTitle(f"Calibration board {plan.board.columns} x {plan.board.rows}, {plan.board.kind}")
    canvas.setAuthor("courtplumb")
    canvas.setViewerPreference("PrintScaling", "None")
    if plan.is_poster:
        _Sheet(canvas, plan).guide()
    for number, page in enumerate(plan.pages, start=1):
        _Sheet(canvas, plan).page(page, number)
    canvas.save()
    write_atomically(path, data.getvalue())


class _Sheet:
    """Draws one page; positions are millimetres from the page's upper left corner."""

    def __init__(self, canvas: Canvas, plan: Plan) -> None:
        self.c, self.plan = canvas, plan
        self.width, self.height = plan.size_mm

    def page(self, page: Page, number: int) -> None:
        """A tile of a poster, or the one sheet."""
        self._pattern(page)
        left, top = self.plan.at_mm
        across, down = (_whole_cm(side) for side in page.printed[2:])
        below = top + page.printed[3]
        self._ruler_across(left, below + 2.0, across)
        self._ruler_down(left - 2.0, top, down)
        words_at = below + RULER_MM + 2.0
        if self.plan.is_poster:
            self._seams(page)
            self._tile_words(page, number, words_at, across, down)
        else:
            self._measured_line(left, words_at, across, down)
            self._words(left, words_at + 1.7 * _LINE_MM)
        self.c.showPage()

    def guide(self) -> None:
        """A poster's first page: how the tiles lie, what to do, and the lines for rig.toml."""
        p, left = self.plan, EDGE_MM + RULER_MM
        rows, columns = p.pages[-1].row + 1, p.pages[-1].column + 1
        size = [sum(s) for s in (p.pages[-1].own[0::2], p.pages[-1].own[1::2])]
        corners = f"{p.board.columns} x {p.board.rows} inner corners"
        self._text(left, 16, f"A board of {corners} on {len(p.pages)} sheets", _HEAD_PT, bold=True)
        self._text(left, 22, f"{rows} rows of {columns}; {size[0]:.0f} x {size[1]:.0f} mm when joined. "
                   "The sheets, seen from the front:", _TEXT_PT)  # fmt: skip
        scale = min((self.width - 2 * left) / size[0], (self.height - _GUIDE_WORDS_MM) / size[1])
        self.c.saveState()
        self._place(left, 27, scale)
        self._fill(black_rectangles_mm(p.board), 0.75)
        self.c.restoreState()
        for number, page in enumerate(p.pages, start=1):
            x, y, w, h = (scale * v for v in page.own)
            self._rectangle(left + x, 27 + y, w, h)
            self._label(left + x + w / 2, 27 + y + h / 2, str(number))
        bottom = 27 + scale * size[1] + 9
        self._words(left, bottom, spaced=1.35)
        self.c.showPage()

    # -- the pattern -------------------------------------------------------------------------------------

    def _place(self, x: float, y: float, scale: float = 1.0) -> None:
        """From here on the pattern's own millimetres, y down, its corner at (x, y) of the page."""
        self.c.transform(scale * mm, 0, 0, -scale * mm, x * mm, (self.height - y) * mm)

    def _fill(self, rectangles: list[Rectangle], grey: float) -> None:
        # one path, filled once: neighbouring rectangles leave no hairline between them
        path = self.c.beginPath()
        for x, y, w, h in rectangles:
            path.rect(x, y, w, h)
        self.c.setFillGray(grey)
        self.c.drawPath(path, stroke=0, fill=1)

    def _pattern(self, page: Page) -> None:
        x, y, w, h = page.printed
        left, top = self.plan.at_mm
        self.c.saveState()
        self._place(left - x, top - y)
        window = self.c.beginPath()
        window.rect(x, y, w, h)
        self.c.clipPath(window, stroke=0, fill=0)
        touched = [r for r in black_rectangles_mm(self.plan.board)
                   if r[0] < x + w and r[0] + r[2] > x and r[1] < y + h and r[1] + r[3] > y]  # fmt: skip
        self._fill(touched, _INK)
        self.c.restoreState()

    def _seams(self, page: Page) -> None:
        """Cut lines on the left and above; where the neighbour's edge goes, on the right and below."""
        left, top = self.plan.at_mm
        width, height = page.own[2:]
        right, bottom = left + width, top + height
        end_x, end_y = left + page.printed[2], top + page.printed[3]
        self.c.setDash(2.0 * mm, 1.2 * mm)
        if page.column > 0:
            self._line(left, top, left, end_y)
        if page.row > 0:
            self._line(left, top, end_x, top)
        self.c.setDash()
        for x in [right] if end_x > right else []:
            self._hatch(right, top, end_x - right, page.printed[3])
            self._line(x, top - 4, x, end_y + 1.5)
        for y in [bottom] if end_y > bottom else []:
            self._hatch(left, bottom, width, end_y - bottom)
            self._line(left - 1.5, y, end_x + 4, y)

    def _hatch(self, x: float, y: float, w: float, h: float) -> None:
        """Light slanted lines on a strip that will be glued under the neighbour."""
        self.c.saveState()
        window = self.c.beginPath()
        window.rect(x * mm, (self.height - y - h) * mm, w * mm, h * mm)
        self.c.clipPath(window, stroke=0, fill=0)
        start = -h
        while start < w:
            self._line(x + start, y + h, x + start + h, y, grey=0.6)
            start += 4.0
        self.c.restoreState()

    # -- rulers and words --------------------------------------------------------------------------------

    def _ruler_across(self, x: float, y: float, length: int) -> None:
        self._line(x, y, x + length, y)
        for at in range(length + 1):
            tick = next(t for every, t in _TICKS_MM.items() if at % every == 0)
            self._line(x + at, y, x + at, y + tick)
            if at % 10 == 0:
                self._text(
                    x + at, y + 7.0, f"{at // 10}" + (" cm" if at == length else ""), _SMALL_PT, middle=True
                )

    def _ruler_down(self, x: float, y: float, length: int) -> None:
        self._line(x, y, x, y + length)
        for at in range(length + 1):
            tick = next(t for every, t in _TICKS_MM.items() if at % every == 0)
            self._line(x, y + at, x - tick, y + at)
            if at % 10 == 0:
                self._text(x - 6.2, y + at + 0.8, f"{at // 10}", _SMALL_PT, middle=True)
        self._text(x - 6.2, y + length + 3.6, "cm", _SMALL_PT, middle=True)

    def _measured_line(self, x: float, y: float, across: int, down: int) -> None:
        self._text(
            x, y, f"Measured on this print:   {across} mm across: ______________ mm      "
            f"{down} mm down: ______________ mm      on (date): ______________", _TEXT_PT, bold=True,
        )  # fmt: skip

    def _tile_words(self, page: Page, number: int, y: float, across: int, down: int) -> None:
        left = self.plan.at_mm[0]
        where = f"Sheet {number} of {len(self.plan.pages)}: row {page.row + 1}, column {page.column + 1}"
        self._measured_line(left, y, across, down)
        self._text(left, y + _LINE_MM, f"{where}.  {TILE_LINES[0]}", _SMALL_PT)
        self._text(left, y + 1.9 * _LINE_MM, TILE_LINES[1], _SMALL_PT)

    def _words(self, x: float, y: float, spaced: float = 1.0) -> None:
        """The instructions, and the lines for rig.toml beside them."""
        board = self.plan.board
        squares = max(board.columns, board.rows) + 1
        table = measured_lines(board, squares, READING_U_MM)
        table_x = self.width - EDGE_MM - 50.0
        step = spaced * _LINE_MM
        lines = instructions(board, squares)
        for i, line in enumerate(self._wrapped(lines, table_x - x - 5.0)):
            self._text(x, y + i * step, line, _SMALL_PT)
        self._text(table_x, y, "For rig.toml; put in your own reading:", _SMALL_PT, bold=True)
        for i, line in enumerate(table, start=1):
            self._text(table_x, y + i * step, line, _SMALL_PT, font="Courier")

    def _wrapped(self, lines: tuple[str, ...], width: float) -> list[str]:
        out = []
        for line in lines:
            row = ""
            for word in line.split():
                longer = f"{row} {word}".strip()
                if self.c.stringWidth(longer, "Helvetica", _SMALL_PT) > width * mm:
                    out.append(row)
                    longer = f"    {word}"
                row = longer
            out.append(row)
        return out

    def _line(self, x0: float, y0: float, x1: float, y1: float, grey: float = _INK) -> None:
        self.c.setStrokeGray(grey)
        self.c.setLineWidth(0.12 * mm)
        self.c.line(x0 * mm, (self.height - y0) * mm, x1 * mm, (self.height - y1) * mm)

    def _rectangle(self, x: float, y: float, w: float, h: float) -> None:
        self.c.setStrokeGray(_INK)
        self.c.setLineWidth(0.25 * mm)
        self.c.rect(x * mm, (self.height - y - h) * mm, w * mm, h * mm, stroke=1, fill=0)

    def _label(self, x: float, y: float, text: str) -> None:
        """A number in a white disc, so that it is read over black and white."""
        self.c.setFillGray(1.0)
        self.c.setStrokeGray(_INK)
        self.c.circle(x * mm, (self.height - y) * mm, 3.2 * mm, stroke=1, fill=1)
        self._text(x, y + 1.1, text, _TEXT_PT, middle=True)

    def _text(
        self, x: float, y: float, text: str, points: float, *, bold: bool = False, middle: bool = False,
        font: str = "Helvetica",
    ) -> None:  # fmt: skip
        self.c.setFillGray(_INK)
        self.c.setFont(f"{font}-Bold" if bold else font, points)
        draw = self.c.drawCentredString if middle else self.c.drawString
        draw(x * mm, (self.height - y) * mm, text)


def _whole_cm(length_mm: float) -> int:
    """The whole centimetres in a length, as millimetres."""
    return int(length_mm // 10) * 10
