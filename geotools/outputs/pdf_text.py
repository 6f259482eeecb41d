"""Set text in a PDF: fonts that have the signs we use, text without what can't be shown, and lines that fit."""

from __future__ import annotations

import importlib.util
import unicodedata
from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotools.outputs.display import clean_text

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["BOLD", "PLAIN", "fit_text", "new_canvas", "safe_text", "text_width", "use_fonts", "wrap_text"]

PLAIN, BOLD = "Sheet", "Sheet-Bold"
_FILES = {PLAIN: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf"}
"""Fonts that come with the plotting library: Latin, Greek, Cyrillic, arrows, fractions and mathematical signs."""
_MISSING = "?"
_LONGEST = 4000


@cache
def use_fonts() -> frozenset[int]:
    """Make the fonts known to the PDF library, once.

    Returns
    -------
    frozenset of int
        The characters that both fonts have.

    Examples
    --------
    >>> ord("≤") in use_fonts()
    True
    """
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    spec = importlib.util.find_spec("matplotlib")
    folder = Path(str(spec.origin if spec else "")).parent / "mpl-data" / "fonts" / "ttf"
    known: list[set[int]] = []
    for name, file in _FILES.items():
        font = TTFont(name, str(folder / file))
        pdfmetrics.registerFont(font)
        known.append(set(font.face.charToGlyph))
    return frozenset(known[0] & known[1])


def new_canvas(path: Path, *, title: str, page_size_pt: tuple[float, float]) -> Any:
    """Begin a PDF that is the same bytes for the same content.

    Parameters
    ----------
    path : pathlib.Path
    title : str
        Of the document's properties.
    page_size_pt : (float, float)
        Width and height, points (1/72 in).

    Returns
    -------
    reportlab.pdfgen.canvas.Canvas

    Examples
    --------
    >>> new_canvas(Path("x.pdf"), title="Sheets", page_size_pt=(612, 792)).getPageNumber()
    1
    """
    from reportlab.pdfgen.canvas import Canvas

    use_fonts()
    canvas = Canvas(str(path), pagesize=page_size_pt, invariant=1, pageCompression=1, initialFontName=PLAIN)
    canvas.setTitle(safe_text(title))
    canvas.setAuthor("")
    canvas.setSubject("Rattlesnake exclusion barrier")
    return canvas


def safe_text(text: object) -> str:
    r"""Text as it can be shown: no control characters, and signs that the font lacks as plain letters or "?".

    Examples
    --------
    >>> safe_text("Caf\u00e9 \u2264 5\x00 \u4e2d")
    'Café ≤ 5 ?'
    """
    plain = clean_text(text) or ""
    if len(plain) > _LONGEST:
        plain = plain[: _LONGEST - 3] + "..."
    if plain.isascii():
        return plain
    known = use_fonts()
    return "".join(sign if ord(sign) in known else _near(sign, known) for sign in plain)


def text_width(text: str, size_pt: float, font: str = PLAIN) -> float:
    """Width of a text, points.

    Examples
    --------
    >>> text_width("", 9.0)
    0.0
    """
    from reportlab.pdfbase.pdfmetrics import stringWidth

    use_fonts()
    return float(stringWidth(text, font, size_pt))


def fit_text(text: object, width_pt: float, size_pt: float, font: str = PLAIN) -> str:
    """Cut a text with three dots where it is wider than the place it has.

    Examples
    --------
    >>> fit_text("a very long name of a lot", 40.0, 8.0)
    'a very...'
    """
    shown = safe_text(text)
    if text_width(shown, size_pt, font) <= width_pt:
        return shown
    low, high = 0, len(shown)
    while low < high:
        middle = (low + high + 1) // 2
        if text_width(shown[:middle].rstrip() + "...", size_pt, font) <= width_pt:
            low = middle
        else:
            high = middle - 1
    return shown[:low].rstrip() + "..."


def wrap_text(text: object, width_pt: float, size_pt: float, font: str = PLAIN) -> Sequence[str]:
    """Break a text into lines that fit a width; a word wider than the line is cut.

    Examples
    --------
    >>> wrap_text("No barrier is a guarantee", 60.0, 8.0)
    ('No barrier is a', 'guarantee')
    """
    return _wrapped(safe_text(text), width_pt, size_pt, font)


@lru_cache(maxsize=4096)
def _wrapped(text: str, width_pt: float, size_pt: float, font: str) -> tuple[str, ...]:
    lines: list[str] = []
    line, space_pt = "", text_width(" ", size_pt, font)
    used_pt = 0.0
    for word in text.split():
        piece, piece_pt = word, text_width(word, size_pt, font)
        while piece_pt > width_pt and len(piece) > 1:
            if line:
                lines.append(line)
                line, used_pt = "", 0.0
            head = max(1, int(len(piece) * width_pt / piece_pt) - 1)
            lines.append(piece[:head])
            piece = piece[head:]
            piece_pt = text_width(piece, size_pt, font)
        if line and used_pt + space_pt + piece_pt > width_pt:
            lines.append(line)
            line, used_pt = piece, piece_pt
        else:
            used_pt += (space_pt if line else 0.0) + piece_pt
            line = f"{line} {piece}" if line else piece
    return (*lines, line) if line else tuple(lines) or ("",)


def _near(sign: str, known: frozenset[int]) -> str:
    plain = "".join(part for part in unicodedata.normalize("NFKD", sign) if ord(part) in known)
    return plain if plain.strip() else _MISSING
