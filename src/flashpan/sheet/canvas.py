"""A page to draw on, in pixels from its top left corner; out it goes as PNG or PDF.

Matplotlib draws: text stays text in a PDF, and pictures stay pictures.  Only what needs no
screen of it is used, so that nothing of its state is shared with whoever calls.
"""

from __future__ import annotations

import io
import logging
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

import matplotlib as mpl
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.font_manager import get_font
from matplotlib.image import AxesImage
from matplotlib.lines import Line2D
from matplotlib.patches import Ellipse, Rectangle

from flashpan.cut.tone import Pixels8

logging.getLogger("matplotlib.font_manager").setLevel(logging.ERROR)
_DPI = 100
_CORNERS = "#ffc24d"


@dataclass(frozen=True, slots=True)
class Ink:
    """Colours of a page.

    Attributes
    ----------
    paper, text, faint, mark : str
        Ground, words, lesser words and lines, and what points at something.
    """

    paper: str
    text: str
    faint: str
    mark: str


SCREEN = Ink("#141311", "#f1ede4", "#b3aca0", "#ffc24d")
"""Dark, for eyes that are used to the dark."""
PAPER = Ink("#ffffff", "#141311", "#59544c", "#8a5a00")
"""For a printer."""


class Canvas:
    """One page.

    Parameters
    ----------
    cols, rows : int
        Its size in pixels.
    ink : Ink
    """

    def __init__(self, cols: int, rows: int, ink: Ink = SCREEN) -> None:
        self.cols, self.rows, self.ink = cols, rows, ink
        self.figure = Figure(figsize=(cols / _DPI, rows / _DPI), dpi=_DPI, facecolor=ink.paper)
        FigureCanvasAgg(self.figure)
        self._axes = self.figure.add_axes((0.0, 0.0, 1.0, 1.0))
        self._axes.set_axis_off()
        self._axes.set(xlim=(0, cols), ylim=(rows, 0))
        self._axes.set_autoscale_on(False)

    def text(
        self,
        x: float,
        y: float,
        text: str,
        px: float = 14,
        *,
        bold: bool = False,
        colour: str | None = None,
        right: bool = False,
    ) -> None:
        """Put a line of text with its baseline at ``y``."""
        self._axes.text(
            x,
            y,
            drawable(text),
            fontsize=px * 72 / _DPI,
            family="DejaVu Sans",
            weight="bold" if bold else "normal",
            color=colour or self.ink.text,
            ha="right" if right else "left",
            va="baseline",
            parse_math=False,
        )

    def line(
        self, x0: float, y0: float, x1: float, y1: float, colour: str | None = None, px: float = 1
    ) -> None:
        """Draw a thin line."""
        width = px * 72 / _DPI
        self._axes.add_line(Line2D([x0, x1], [y0, y1], lw=width, color=colour or self.ink.faint))

    def picture(self, x: int, y: int, cols: int, rows: int, pixels: Pixels8) -> None:
        """Show a picture in a rectangle."""
        image = AxesImage(
            self._axes, extent=(x, x + cols, y + rows, y), interpolation="none", origin="upper"
        )
        image.set_data(pixels)
        self._axes.add_artist(image)

    def corners(self, box: tuple[float, float, float, float]) -> None:
        """Mark a rectangle (x, y, width, height) by its corners only, so that little is hidden."""
        x, y, width, height = box
        arm_x, arm_y = max(2.0, min(width / 4, 9)), max(2.0, min(height / 4, 9))
        # dark under bright: seen on any ground
        for colour, px in (("#141311", 3.2), (_CORNERS, 1.3)):
            for left, to_x in ((x, arm_x), (x + width, -arm_x)):
                for top, to_y in ((y, arm_y), (y + height, -arm_y)):
                    self.line(left, top, left + to_x, top, colour, px)
                    self.line(left, top, left, top + to_y, colour, px)

    def frame(self, x: float, y: float, cols: float, rows: float) -> None:
        """Draw a thin frame."""
        self._axes.add_patch(
            Rectangle((x, y), cols, rows, fill=False, lw=0.72, ec=self.ink.faint, alpha=0.6)
        )

    def ring(self, x: float, y: float, cols: float, rows: float) -> None:
        """Draw a ring around something, as with a grease pencil."""
        middle = (x + cols / 2, y + rows / 2)
        self._axes.add_patch(
            Ellipse(middle, cols, rows, angle=-4, fill=False, lw=1.8, ec=self.ink.mark)
        )

    def png(self) -> bytes:
        """The page as PNG."""
        return figure_png(self.figure)


def figure_png(figure: Figure) -> bytes:
    """A figure as PNG, as it is."""
    file = io.BytesIO()
    figure.savefig(
        file,
        format="png",
        dpi=figure.dpi,
        facecolor=figure.get_facecolor(),
        metadata={"Software": None},
        pil_kwargs={"compress_level": 3},
    )
    return file.getvalue()


def figures_pdf(figures: Iterable[Figure], title: str) -> bytes:
    """Figures as the pages of one PDF."""
    file = io.BytesIO()
    about = {"Title": drawable(title), "Creator": "flashpan", "CreationDate": None}
    with PdfPages(file, metadata=about) as pages:
        for figure in figures:
            pages.savefig(figure, facecolor=figure.get_facecolor())
    return file.getvalue()


def drawable(text: str) -> str:
    """Text in letters that the font has; ``?`` for the others."""
    return "".join(char if _is_in_font(char) else "?" for char in text)


@cache
def _is_in_font(char: str) -> bool:
    if "\ud800" <= char <= "\udfff":
        return False
    path = mpl.get_data_path() + "/fonts/ttf/DejaVuSans.ttf"
    return bool(get_font(path).get_char_index(ord(char)))
