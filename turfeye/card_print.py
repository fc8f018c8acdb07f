"""Draws the card: as it looks (for rendering and tests) and for the printer, always at true size."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from turfeye.card_layout import CARD, NOMINAL, PAPER, SPOTS
from turfeye.colourspace import decode, encode
from turfeye.errors import CardError
from turfeye.files import write_atomic
from turfeye.records import Bytes, Floats

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Paper = Literal["a4", "letter"]
PAPERS_MM: dict[str, tuple[float, float]] = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}

HOW_TO = (
    "Lay me flat on the grass, in the same light as the lawn, clear of your own shadow.",
    "Keep all four square marks in the picture. Print on matt paper at 100 %, never “fit to page”.",
)
INK = (0.13, 0.13, 0.13)
FAINT = (0.72, 0.72, 0.72)
_BASELINES_MM = (-7.0, -12.5)


def draw(spot: int, *, dpi: float) -> Bytes:
    """The card's active area as it looks once printed, (H, W, 3) sRGB; 260 x 190 mm at ``dpi``.

    Decoded to linear light, each patch has the reflectance of ``NOMINAL`` and the bare paper that of
    ``PAPER`` (code 237, not 255).
    """
    on_paper = draw_for_print(spot, dpi=dpi)
    look = np.rint(encode(decode(np.arange(256.0)) * PAPER)).astype(np.uint8)
    return look[on_paper]


def draw_for_print(spot: int, *, dpi: float) -> Bytes:
    """The active area as it is sent to the printer (paper is 255), (H, W, 3); 260 x 190 mm at ``dpi``."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    figure = _figure(spot, (CARD.width_mm, CARD.height_mm), dpi)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())[..., :3].copy()


def print_pdf(path: Path | str, spot: int = 0, *, paper: Paper = "a4") -> Path:
    """Write the card as a true-size PDF; the same bytes every time."""
    figure = _figure(spot, _paper_mm(paper), None)
    held = io.BytesIO()
    # fonttype 42 keeps the text selectable; no date, so that the bytes don't change
    from matplotlib import rc_context

    with rc_context({"pdf.fonttype": 42, "pdf.compression": 6}):
        facts = {
            "Title": f"Turfeye card, spot {spot}",
            "Creator": "turfeye",
            "Producer": "turfeye",
            "CreationDate": None,
        }
        figure.savefig(held, format="pdf", metadata=facts)
    return write_atomic(path, held.getvalue())


def print_png(path: Path | str, spot: int = 0, *, paper: Paper = "a4", dpi: float = 200) -> Path:
    """Write the whole sheet as a PNG that carries its resolution, so it prints at true size."""
    if not 50 <= dpi <= 1200:
        raise CardError(
            f"the card's resolution must lie between 50 and 1200 dpi, not {dpi:g}; 200 prints well"
        )
    held = io.BytesIO()
    _figure(spot, _paper_mm(paper), dpi).savefig(
        held, format="png", dpi=dpi, metadata={"Software": "turfeye"}
    )
    return write_atomic(path, held.getvalue())


def _paper_mm(paper: str) -> tuple[float, float]:
    if paper.lower() not in PAPERS_MM:
        raise CardError(f"the card prints on {' or '.join(PAPERS_MM)}, not on {paper!r}")
    return PAPERS_MM[paper.lower()]


def _figure(spot: int, sheet_mm: tuple[float, float], dpi: float | None) -> Figure:
    """One matplotlib figure of the sheet, in millimetres, the card in its middle."""
    from matplotlib.figure import Figure

    if spot not in SPOTS:
        raise CardError(f"a card's spot number must be a whole number from 0 to {SPOTS[-1]}, not {spot!r}")
    size_in = np.array(sheet_mm) / 25.4
    if dpi:  # whole pixels, or the last row would be cut
        size_in = np.rint(size_in * dpi) / dpi
    figure = Figure(figsize=(size_in[0], size_in[1]), dpi=dpi or 72)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(-sheet_mm[0] / 2, sheet_mm[0] / 2), ylim=(-sheet_mm[1] / 2, sheet_mm[1] / 2))
    axes.set_axis_off()
    _draw_frame(axes)
    _draw_patches(axes)
    for corner in range(4):
        _draw_marker(axes, 4 * spot + corner, CARD.marker_corners_mm[corner])
    _draw_rule(axes)
    _draw_words(axes, spot)
    return figure


def _fill(axes: Axes, boxes: Floats, colour: object) -> None:
    """Fill boxes (N, 4) as one path: drawn one by one, hairlines would show between neighbours."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Outline

    x0, y0, x1, y1 = np.asarray(boxes, float).T
    vertices = np.stack(
        [np.stack([x0, y0]), np.stack([x1, y0]), np.stack([x1, y1]), np.stack([x0, y1]), np.stack([x0, y0])]
    )
    codes = [Outline.MOVETO, Outline.LINETO, Outline.LINETO, Outline.LINETO, Outline.CLOSEPOLY] * len(x0)
    outline = Outline(vertices.transpose(2, 0, 1).reshape(-1, 2), codes)
    axes.add_patch(PathPatch(outline, facecolor=colour, edgecolor="none", linewidth=0, snap=False))


def _draw_frame(axes: Axes) -> None:
    """A faint line just inside the active area's edge."""
    x, y, thick = CARD.width_mm / 2, CARD.height_mm / 2, 0.35
    sides = [(-x, y - thick, x, y), (-x, -y, x, -y + thick), (-x, -y, -x + thick, y), (x - thick, -y, x, y)]
    for side in sides:
        _fill(axes, np.array([side]), FAINT)


def _draw_patches(axes: Axes) -> None:
    ink = encode(np.clip(NOMINAL.rgb_linear / PAPER, 0, 1)) / 255.0
    for box, colour in zip(CARD.patch_boxes_mm, ink, strict=True):
        if colour.min() > 0.995:  # bare paper: a hairline says where the step is
            _fill(axes, box[None], FAINT)
            _fill(axes, box[None] + np.array([0.25, 0.25, -0.25, -0.25]), "white")
        else:
            _fill(axes, box[None], tuple(colour))


def _draw_marker(axes: Axes, marker: int, corners_mm: Floats) -> None:
    import cv2

    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    dark = cv2.aruco.generateImageMarker(family, marker, 8) == 0  # 8 x 8 modules, border included
    row, col = np.nonzero(dark)
    module = CARD.marker_mm / 8
    left, top = corners_mm[0]
    x0, y1 = left + col * module, top - row * module
    _fill(axes, np.stack([x0, y1 - module, x0 + module, y1], axis=1), "black")


def _draw_rule(axes: Axes) -> None:
    """A 100 mm rule: two bars of alternating centimetres, to be held against a ruler."""
    x, y = CARD.rule_start_mm
    starts = x + np.arange(10) * CARD.rule_mm / 10
    upper = [(s, y + 1.5, s + 10, y + 3.0) for s in starts[::2]]
    lower = [(s, y, s + 10, y + 1.5) for s in starts[1::2]]
    ends = [(x, y - 1.2, x + 0.3, y + 4.2), (x + CARD.rule_mm - 0.3, y - 1.2, x + CARD.rule_mm, y + 4.2)]
    _fill(axes, np.array(upper + lower + ends), INK)


def _draw_words(axes: Axes, spot: int) -> None:
    left, right = CARD.rule_start_mm[0], CARD.width_mm / 2 - 6
    for y, words in zip(_BASELINES_MM, HOW_TO, strict=True):
        axes.text(left, y, words, fontsize=8.4, color=INK, va="baseline", ha="left", family="DejaVu Sans")
    x, y = CARD.rule_start_mm
    check = "These bars span 100 mm, end to end."
    axes.text(x, y + 6.2, check, fontsize=8.4, color=INK, va="baseline", ha="left", family="DejaVu Sans")
    number = axes.text(
        right, y - 1.2, str(spot), fontsize=84, color=INK, va="baseline", ha="right", family="DejaVu Sans"
    )
    number.set_fontweight("bold")
    axes.text(
        right,
        _BASELINES_MM[1],
        "turfeye card, spot",
        fontsize=8.4,
        color=INK,
        ha="right",
        family="DejaVu Sans",
    )
