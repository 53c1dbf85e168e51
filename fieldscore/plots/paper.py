"""A report on paper: A4 pages filled from the top with text, tables, bars, pictures and the drawings of the page."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib import rc_context
from matplotlib.backends.backend_pdf import FigureCanvasPdf, PdfPages
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle

from fieldscore.plots.ink import PAPER, drawable, fitted, recolour, width_of, wrapped
from fieldscore.plots.sheets import Size
from fieldscore.plots.svg import STYLE, UNITS_PER_INCH

WIDTH, HEIGHT = 595.3, 841.9  # points: ISO 216 A4
MARGIN = 46.0
FOOT = 34.0  # from the lower edge to the page number
INNER = WIDTH - 2 * MARGIN
# The drawings' measures on paper: as wide as the text, with keys under the titles.
SHEET = Size(INNER, 74.0, 8.0, 46.0, 700, 8, 420, 380.0, map_numbers=True, panels=0.58)
_LEADING = 1.38  # line height over font size; common practice, no source
_BODY, _SMALL = 9.0, 8.0  # points
# Any: as STYLE in svg.py
_STYLE: dict[Any, Any] = {**STYLE, "font.family": "DejaVu Sans", "pdf.fonttype": 42, "text.parse_math": False}

Picture = npt.NDArray[np.uint8]


class Paper:
    """Pages that fill from the top; each method adds below what is there and turns the page where it must."""

    def __init__(self, title: str, maker: str) -> None:
        """Begin the first page; `title` and `maker` stand in the foot of each."""
        self._title, self._maker = title, maker
        self._pages: list[Figure] = []
        self._page = self._turn()

    @property
    def pages(self) -> int:
        """Count the pages."""
        return len(self._pages)

    def _turn(self, figure: Figure | None = None) -> Figure:
        """A new page, or the figure made into one."""
        page = figure or Figure()
        page.set_size_inches(WIDTH / UNITS_PER_INCH, HEIGHT / UNITS_PER_INCH)
        FigureCanvasPdf(page)
        self._pages.append(page)
        self._page, self._top = page, MARGIN
        return page

    def keep(self, height: float) -> None:
        """Turn the page unless there is room for so many points, so that what follows stays together."""
        if self._top + height > HEIGHT - MARGIN - FOOT / 2 and self._top > MARGIN:
            self._turn()

    def _write(
        self, text: str, left: float, size: float, colour: str = "ink", weight: str = "normal", **more: Any
    ) -> None:
        """One line with its top at the present place."""
        y = 1.0 - (self._top + size) / HEIGHT
        with rc_context(_STYLE):
            self._page.text(
                left / WIDTH, y, drawable(text), fontsize=size, color=PAPER[colour], fontweight=weight, **more
            )

    def space(self, height: float) -> None:
        """Leave room."""
        self._top += height

    def line(self, colour: str = "hair", width: float = 0.6) -> None:
        """A line across the page."""
        y = 1.0 - self._top / HEIGHT
        across = [MARGIN / WIDTH, 1.0 - MARGIN / WIDTH]
        self._page.add_artist(Line2D(across, [y, y], color=PAPER[colour], linewidth=width))

    def text(
        self, text: str, size: float = _BODY, colour: str = "ink", weight: str = "normal", left: float = 0.0
    ) -> None:
        """A paragraph."""
        for line in wrapped(text, size, INNER - left, weight):
            self.keep(size * _LEADING)
            self._write(line, MARGIN + left, size, colour, weight)
            self._top += size * _LEADING

    def heading(self, text: str) -> None:
        """A heading with a line above; it stays with what follows."""
        self.keep(90.0)
        if self._top > MARGIN:
            self.space(12.0)
        self.line()
        self.space(6.0)
        self.text(text, 12.0, weight="bold")
        self.space(4.0)

    def bullets(self, texts: Sequence[str]) -> None:
        """Paragraphs, each with a mark."""
        for text in texts:
            self.keep(_BODY * _LEADING)
            self._write("–", MARGIN, _BODY, "soft")
            self.text(text, left=12.0)
            self.space(2.0)

    def bars(self, rows: Sequence[tuple[str, float, str, str, str]]) -> None:
        """Rows of (name, share of the longest 0..1, text, colour name, hatch)."""
        name_width, text_width = 190.0, 100.0
        for name, share, text, colour, hatch in rows:
            self.keep(16.0)
            self._write(name, MARGIN, 10.0)
            self._write(text, WIDTH - MARGIN, 10.0, ha="right")
            left, width = MARGIN + name_width, (INNER - name_width - text_width) * share
            box = (left / WIDTH, 1.0 - (self._top + 11.0) / HEIGHT)
            bar = Rectangle(box, width / WIDTH, 10.0 / HEIGHT, transform=self._page.transFigure, linewidth=0.0)
            bar.set(facecolor=PAPER[colour], edgecolor=PAPER["paper"], hatch=hatch or None)
            if share > 0:
                self._page.add_artist(bar)
            self.space(16.0)

    def table(
        self, heads: Sequence[str], rows: Sequence[Sequence[str]], shares: Sequence[float], right: int = 0
    ) -> None:
        """A table; `shares` of the width a column, the last `right` columns set to the right. Heads come again on a new page."""
        edges = [MARGIN + INNER * sum(shares[:index]) / sum(shares) for index in range(len(shares) + 1)]
        self._heads(heads, edges, right)
        for row in rows:
            cells = [
                [line for part in text.split("\n") for line in wrapped(part, _SMALL, edges[at + 1] - edges[at] - 8.0)]
                for at, text in enumerate(row)
            ]
            height = max(map(len, cells)) * _SMALL * _LEADING + 5.0
            if self._top + height > HEIGHT - MARGIN - FOOT / 2:
                self._turn()
                self._heads(heads, edges, right)
            start = self._top
            for at, lines in enumerate(cells):
                self._top = start
                for number, line in enumerate(lines):
                    self._cell(line, at, edges, right, "ink" if number == 0 or at else "soft")
                    self._top += _SMALL * _LEADING
            self._top = start + height - 2.0
            self.line(width=0.4)
            self.space(4.0)

    def _heads(self, heads: Sequence[str], edges: Sequence[float], right: int) -> None:
        if not any(heads):
            return
        self.keep(30.0)
        for at, text in enumerate(heads):
            self._cell(fitted(text, _SMALL, edges[at + 1] - edges[at] - 6.0), at, edges, right, "soft")
        self.space(_SMALL * _LEADING + 3.0)
        self.line("soft", 0.6)
        self.space(4.0)

    def _cell(self, text: str, at: int, edges: Sequence[float], right: int, colour: str) -> None:
        if at >= len(edges) - 1 - right:
            self._write(text, edges[at + 1], _SMALL, colour, ha="right")
        else:
            self._write(text, edges[at], _SMALL, colour)

    def drawing(self, draw: Callable[[], Figure], most: float = HEIGHT, head: float = 0.0) -> None:
        """A drawing of plots/sheets on a page of its own, under `head` points of room, as high as fits and at most `most`.

        Text may follow.
        """
        with rc_context(_STYLE):
            figure = draw()
        width, height = (float(side) * UNITS_PER_INCH for side in figure.get_size_inches())
        shown = min(height, HEIGHT - 2 * MARGIN - FOOT - head, most)
        for axes in figure.axes:
            box = axes.get_position(original=True)
            place = (
                (MARGIN + box.x0 * width) / WIDTH,
                1.0 - (MARGIN + head + (1.0 - box.y0) * shown) / HEIGHT,
                box.width * width / WIDTH,
                box.height * shown / HEIGHT,
            )
            axes.set_position(place)
        for text in figure.texts:
            x, y = text.get_position()
            text.set_position(((MARGIN + x * width) / WIDTH, 1.0 - (MARGIN + head + (1.0 - y) * shown) / HEIGHT))
        self._turn(figure)
        self._top = MARGIN + head + shown + 12.0

    def titled_drawing(self, title: str, told: str, draw: Callable[[], Figure], most: float = HEIGHT) -> None:
        """A drawing under a heading and a line of text, on a page of its own."""
        lines = len(wrapped(told, _SMALL, INNER))
        self.drawing(draw, most, 12.0 * _LEADING + lines * _SMALL * _LEADING + 8.0)
        after, self._top = self._top, MARGIN
        self.text(title, 12.0, weight="bold")
        self.text(told, _SMALL, "soft")
        self._top = after

    def pictures(self, shown: Sequence[tuple[Picture, str, str]], across: int = 3) -> None:
        """Pictures in rows: (RGB picture, title, text under it)."""
        gap = 10.0
        width = (INNER - gap * (across - 1)) / across
        for start in range(0, len(shown), across):
            row = shown[start : start + across]
            heights = [width * picture.shape[0] / picture.shape[1] for picture, _, _ in row]
            heads = [wrapped(title, _BODY, width, "bold") for _, title, _ in row]
            under = [wrapped(text, _SMALL, width) for _, _, text in row]
            lines = max(len(head) * _BODY + len(text) * _SMALL for head, text in zip(heads, under, strict=True))
            high = max(heights) + 3.0 + lines * _LEADING + 8.0
            self.keep(high)
            top = self._top
            for at, ((picture, _, _), height) in enumerate(zip(row, heights, strict=True)):
                left = MARGIN + at * (width + gap)
                axes = self._page.add_axes((left / WIDTH, 1 - (top + height) / HEIGHT, width / WIDTH, height / HEIGHT))
                axes.imshow(picture, aspect="auto", interpolation="none")
                axes.set_axis_off()
                self._top = top + height + 3.0
                for line in heads[at]:
                    self._write(line, left, _BODY, weight="bold")
                    self._top += _BODY * _LEADING
                for line in under[at]:
                    self._write(line, left, _SMALL, "soft")
                    self._top += _SMALL * _LEADING
            self._top = top + high

    def big(self, text: str, under: str, beside: str) -> None:
        """The main figure, large, with a line under it and its sentence beside it."""
        size = 40.0
        left = max(width_of(text, size), width_of(under, _SMALL)) + 26.0
        top = self._top
        self._write(text, MARGIN, size)
        self._top = top + size + 12.0
        self._write(under, MARGIN, _SMALL, "soft")
        after, self._top = self._top + 16.0, top + 2.0
        for line in wrapped(beside, 12.0, INNER - left):
            self._write(line, MARGIN + left, 12.0)
            self._top += 12.0 * _LEADING
        self._top = max(self._top, after)

    def pdf(self) -> bytes:
        """The pages as a PDF file, the same bytes for the same content."""
        stream = io.BytesIO()
        about = {"Title": drawable(self._title), "Creator": self._maker, "Producer": None, "CreationDate": None}
        with rc_context(_STYLE), PdfPages(stream, metadata=about) as file:
            for number, page in enumerate(self._pages, start=1):
                self._page, self._top = page, HEIGHT - FOOT
                foot = wrapped(self._title, _SMALL, INNER - 160.0)[:1]
                self._write(foot[0] if foot else "", MARGIN, _SMALL, "soft")
                self._write(f"{self._maker}, page {number} of {self.pages}", WIDTH - MARGIN, _SMALL, "soft", ha="right")
                recolour(page)
                file.savefig(page)
        return stream.getvalue()
