"""Draws docs/how-to-photograph.png: where to stand, where to lay the card, which light, what to avoid.

Run: python tools/draw_docs.py
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Ellipse, FancyBboxPatch, Polygon, Rectangle
from matplotlib.transforms import Bbox

from turfeye import drawing
from turfeye.drawing import ACCENT, INK, LINE, PAPER, QUIET

OUT = Path(__file__).parent.parent / "docs" / "how-to-photograph.png"
GREEN, DARK_GREEN, SOIL = "#8fb573", "#3f7a4c", "#c9b391"
WALL, GLASS, SKIN, CLOTH = "#e9e2d3", "#cfe0e6", "#d8a98a", "#4d6f96"
GOOD = "#2f7050"


def scene(figure: Figure, box: tuple[float, float, float, float]) -> Axes:
    """Axes in inches, one unit an inch, origin at the lower left."""
    left, bottom, wide, tall = box
    axes = drawing.place_axes(figure, left, bottom, wide, tall)
    axes.set_xlim(0, wide)
    axes.set_ylim(0, tall)
    drawing.frameless(axes)
    return axes


def grass(
    axes: Axes, box: Bbox, *, seed: int, count: int, clip: Polygon | None = None, long: float = 0.09
) -> None:
    """Blades scattered over a box."""
    rng = np.random.default_rng(seed)
    x = rng.uniform(box.x0, box.x1, count)
    y = rng.uniform(box.y0, box.y1, count)
    lean = rng.normal(0, 0.035, count)
    tall = rng.uniform(0.4, 1.0, count) * long
    shades = rng.choice([DARK_GREEN, "#5d9455", "#a5c583"], count)
    for i in np.argsort(-y):
        (line,) = axes.plot([x[i], x[i] + lean[i]], [y[i], y[i] + tall[i]], color=shades[i], lw=0.8)
        if clip is not None:
            line.set_clip_path(clip)


def card(axes: Axes, corners: np.ndarray, *, part: tuple[float, float] = (0.0, 1.0)) -> None:
    """The card in any position: corners (4, 2), lower left first, anticlockwise; ``part`` of its length."""
    axes.add_patch(Polygon(corners, fc="white", ec=INK, lw=0.9, zorder=5))

    def at(u: float, v: float) -> np.ndarray:
        low = corners[0] * (1 - u) + corners[1] * u
        high = corners[3] * (1 - u) + corners[2] * u
        return low * (1 - v) + high * v

    def tile(u: float, v: float, w: float, h: float, colour: str) -> None:
        u, end = (float(np.clip((e - part[0]) / (part[1] - part[0]), 0, 1)) for e in (u, u + w))
        w = end - u
        if w <= 0:
            return
        axes.add_patch(
            Polygon([at(u, v), at(u + w, v), at(u + w, v + h), at(u, v + h)], fc=colour, lw=0, zorder=6)
        )

    for u in (0.06, 0.76):
        for v in (0.08, 0.67):
            tile(u, v, 0.18, 0.25, INK)
            tile(u + 0.05, v + 0.07, 0.05, 0.08, "white")
            tile(u + 0.10, v + 0.13, 0.04, 0.06, "white")
    for row, v in enumerate((0.78, 0.10)):
        for i in range(6):
            shade = 0.95 - 0.15 * (i if row == 0 else 5 - i)
            tile(0.28 + 0.074 * i, v, 0.066, 0.14, str(round(shade, 2)))
    for i, colour in enumerate(("#9dbb6d", "#5d8b47", "#33552f", "#b5b04a", "#cdb27a", "#6d4c35")):
        tile(0.28 + 0.074 * i, 0.40, 0.066, 0.2, colour)


def person(axes: Axes, x: float, y: float, scale: float, reach: float) -> tuple[float, float]:
    """Somebody who holds a phone out in front; where the phone is."""

    def limb(points: list[tuple[float, float]], colour: str, width: float) -> None:
        px, py = zip(*[(x + a * scale, y + b * scale) for a, b in points], strict=True)
        axes.plot(
            px, py, color=colour, lw=width * scale, solid_capstyle="round", solid_joinstyle="round", zorder=4
        )

    limb([(-0.05, 0.0), (-0.03, 0.42), (0.0, 0.82)], "#3b4650", 11)
    limb([(0.10, 0.0), (0.07, 0.42), (0.02, 0.82)], "#2f3941", 11)
    limb([(0.01, 0.86), (0.05, 1.34)], CLOTH, 19)
    limb([(0.06, 1.34), (0.28, 1.16), (reach, 1.28)], CLOTH, 8)
    axes.add_patch(Circle((x + 0.10 * scale, y + 1.60 * scale), 0.125 * scale, fc=SKIN, lw=0, zorder=4))
    axes.add_patch(
        Ellipse((x + 0.075 * scale, y + 1.66 * scale), 0.25 * scale, 0.17 * scale, fc="#4a3b30", zorder=5)
    )
    return x + (reach + 0.06) * scale, y + 1.28 * scale


def words(axes: Axes, x: float, y: float, text: str, **how: object) -> None:
    style = {"fontsize": 8.5, "va": "top", "linespacing": 1.4, "color": INK, "zorder": 9} | how
    axes.text(x, y, text, **style)


def heading(axes: Axes, x: float, y: float, number: str, text: str) -> None:
    axes.add_patch(Circle((x + 0.16, y), 0.15, fc=GOOD, lw=0))
    axes.text(x + 0.16, y - 0.01, number, color="white", weight="bold", fontsize=10, ha="center", va="center")
    axes.text(x + 0.42, y, text, weight="bold", fontsize=11.5, va="center")


def from_above(figure: Figure) -> None:
    axes = scene(figure, (0.3, 3.55, 5.6, 4.15))
    heading(axes, 0, 3.95, "1", "From above: one spot")
    ground = 0.78
    axes.add_patch(Rectangle((0, ground - 0.16), 3.15, 0.16, fc=SOIL, lw=0))
    grass(axes, Bbox([[0, ground - 0.02], [3.15, ground]]), seed=1, count=170, long=0.13)
    phone = person(axes, 0.55, ground, 1.42, 0.62)
    left, right = phone[0] - 0.72, phone[0] + 0.72
    axes.add_patch(Polygon([phone, (left, ground), (right, ground)], fc="#e6c66e", alpha=0.30, lw=0))
    axes.add_patch(Rectangle((phone[0] - 0.17, phone[1] - 0.02), 0.34, 0.05, fc=INK, zorder=7))
    axes.add_patch(
        Rectangle((phone[0] - 0.27, ground + 0.03), 0.54, 0.035, fc="white", ec=INK, lw=0.9, zorder=6)
    )
    axes.annotate(
        "", (right + 0.12, phone[1]), (right + 0.12, ground), arrowprops={"arrowstyle": "<->", "color": QUIET}
    )
    words(axes, right + 0.2, (phone[1] + ground) / 2 + 0.18, "1.2 to\n1.5 m", color=QUIET, fontsize=8)
    words(
        axes, 0, 0.5, "Hold the phone level and look straight down.\nFeet and shadow stay out of the picture."
    )
    spot_seen(axes)


def spot_seen(axes: Axes) -> None:
    """The picture from above: turf with the card."""
    frame = Bbox([[3.55, 1.42], [5.55, 2.92]])
    words(axes, 3.55, 3.22, "what the phone sees", color=QUIET, fontsize=8)
    edge = Rectangle((frame.x0, frame.y0), frame.width, frame.height, fc="#b9a684", ec=INK, lw=1.6)
    axes.add_patch(edge)
    grass(axes, Bbox([[3.5, 1.36], [5.6, 2.9]]), seed=2, count=900, clip=edge)
    card(axes, np.array([[4.27, 1.98], [4.85, 2.0], [4.84, 2.41], [4.26, 2.39]]))
    axes.add_patch(
        Rectangle((frame.x0, frame.y0), frame.width, frame.height, fc="none", ec=INK, lw=1.6, zorder=8)
    )
    words(
        axes,
        3.55,
        1.3,
        "The card lies flat on the grass,\nwhole, near the middle, about a\n"
        "third of the picture wide or less.",
    )


def from_one_place(figure: Figure) -> None:
    axes = scene(figure, (6.25, 3.55, 5.95, 4.15))
    heading(axes, 0, 3.95, "2", "From one place: the whole lawn")
    ground = 0.78
    axes.add_patch(Rectangle((0, ground - 0.16), 3.45, 0.16, fc=SOIL, lw=0))
    house(axes, ground)
    eye = (0.68, 2.66)
    axes.add_patch(Polygon([eye, (1.0, ground), (3.3, ground)], fc="#e6c66e", alpha=0.30, lw=0))
    axes.plot([eye[0] - 0.05, eye[0] + 0.07], [eye[1] + 0.1, eye[1] - 0.08], color=INK, lw=3.2, zorder=7)
    grass(axes, Bbox([[0.95, ground - 0.02], [3.3, ground]]), seed=3, count=140, long=0.11)
    for x in (0.97, 3.3):
        axes.plot([x, x], [ground - 0.05, ground + 0.26], color=ACCENT, lw=2.4)
    axes.add_patch(Rectangle((1.32, ground + 0.03), 0.36, 0.035, fc="white", ec=INK, lw=0.9, zorder=6))
    words(
        axes,
        0,
        0.5,
        "A window, step or path: the same place, height and\n"
        "aim each visit. The higher, the more is measured.",
    )
    lawn_seen(axes)


def house(axes: Axes, ground: float) -> None:
    """A house at the left, somebody at its upper window."""
    axes.add_patch(Rectangle((0, ground), 0.62, 2.72, fc=WALL, ec=LINE, lw=0.8))
    axes.add_patch(Polygon([(-0.02, 3.5), (0.78, 3.5), (0.5, 3.74), (-0.02, 3.74)], fc="#a65f45", lw=0))
    axes.add_patch(Rectangle((0.18, 2.28), 0.44, 0.72, fc=GLASS, ec=QUIET, lw=1.0))
    axes.add_patch(Circle((0.33, 2.72), 0.10, fc=SKIN, lw=0))
    axes.plot([0.33, 0.33], [2.34, 2.56], color=CLOTH, lw=13, solid_capstyle="butt")
    axes.plot([0.35, 0.62], [2.5, 2.62], color=CLOTH, lw=5, solid_capstyle="round")


def lawn_seen(axes: Axes) -> None:
    """The picture from the window: the whole lawn, its corners named, a fence behind."""
    frame = Bbox([[3.85, 1.42], [5.85, 2.92]])
    words(axes, 3.85, 3.22, "what the phone sees", color=QUIET, fontsize=8)
    axes.add_patch(Rectangle((frame.x0, frame.y0), frame.width, frame.height, fc="#d8d0c0", lw=0))
    axes.add_patch(Rectangle((frame.x0, 2.62), frame.width, 0.30, fc="#dfe9ec", lw=0))
    for x in np.linspace(frame.x0, frame.x1 - 0.1, 20):
        axes.add_patch(Rectangle((x, 2.48), 0.085, 0.26, fc="#b99f7c", ec="#9a8160", lw=0.4))
    lawn = np.array([[4.0, 1.56], [5.7, 1.60], [5.36, 2.42], [4.36, 2.44]])
    shape = Polygon(lawn, fc=GREEN, lw=0)
    axes.add_patch(shape)
    grass(axes, Bbox([[3.9, 1.5], [5.8, 2.4]]), seed=4, count=520, clip=shape, long=0.07)
    card(axes, np.array([[4.58, 1.68], [4.88, 1.69], [4.85, 1.81], [4.58, 1.80]]))
    sides = ((-0.09, -0.08), (0.09, -0.08), (0.1, 0.06), (-0.1, 0.06))
    for (x, y), name, (dx, dy) in zip(lawn, "ABCD", sides, strict=True):
        axes.plot(x, y, "o", ms=4.5, color=ACCENT, mec="white", mew=0.7, zorder=8)
        drawing.halo(
            axes.text(x + dx, y + dy, name, fontsize=8, weight="bold", ha="center", va="center", zorder=9),
            PAPER,
            2,
        )
    axes.add_patch(
        Rectangle((frame.x0, frame.y0), frame.width, frame.height, fc="none", ec=INK, lw=1.6, zorder=8)
    )
    words(
        axes,
        3.85,
        1.3,
        "All corners in, and something that\nstays (fence, wall) behind. The card\n"
        "lies flat on the grass near you.",
    )


def light(figure: Figure) -> None:
    axes = scene(figure, (0.3, 0.15, 11.9, 3.15))
    heading(axes, 0, 2.95, "3", "Light, and what to avoid")
    tiles = (
        ("Bright cloud: best", True, cloud),
        ("Shade over card and\nlawn alike: good", True, even_shade),
        ("A shadow's edge through\nlawn or card", False, shade_edge),
        ("Low sun on wet grass:\nit glares", False, glare),
        ("Your feet or shadow,\nleaves, toys, snow", False, feet),
        ("Card bent, sunk in\nlong grass, cut off", False, bent),
    )
    wide, gap = 1.78, 0.235
    for i, (text, good, draw) in enumerate(tiles):
        x = 0.03 + i * (wide + gap)
        box = FancyBboxPatch(
            (x + 0.02, 1.12), wide - 0.04, 1.4, boxstyle="round,pad=0.02", fc="#b9c98f", lw=0
        )
        axes.add_patch(box)
        grass(axes, Bbox([[x, 1.08], [x + wide, 2.5]]), seed=10 + i, count=330, clip=box)
        draw(axes, x, box)
        edge = GOOD if good else ACCENT
        outline = FancyBboxPatch((x + 0.02, 1.12), wide - 0.04, 1.4, boxstyle="round,pad=0.02", fc="none")
        outline.set(ec=edge, lw=1.8, zorder=8)
        axes.add_patch(outline)
        mark(axes, x + wide - 0.2, 2.34, good)
        words(axes, x + 0.02, 1.0, text)
    words(
        axes, 0, 0.36,
        "No ladder for a photo alone, and mind open windows. Wipe the lens. No flash, no filter, no zoom; "
        "send the original file, not a copy from a messenger.", color=QUIET, fontsize=8,
    )  # fmt: skip


def flat_card(axes: Axes, x: float, y: float = 1.55) -> None:
    card(axes, np.array([[x + 0.55, y], [x + 1.2, y + 0.02], [x + 1.19, y + 0.48], [x + 0.54, y + 0.46]]))


def cloud(axes: Axes, x: float, box: FancyBboxPatch) -> None:
    flat_card(axes, x, 1.28)
    for dx, dy, r in ((0.45, 2.2, 0.14), (0.65, 2.28, 0.19), (0.88, 2.24, 0.16), (1.05, 2.18, 0.11)):
        axes.add_patch(Circle((x + dx, dy), r, fc="white", lw=0, zorder=6))
    axes.add_patch(Rectangle((x + 0.42, 2.06), 0.66, 0.12, fc="white", lw=0, zorder=6))


def even_shade(axes: Axes, x: float, box: FancyBboxPatch) -> None:
    flat_card(axes, x)
    shade = Rectangle((x, 1.05), 1.8, 1.6, fc="#1d2b3a", alpha=0.38, lw=0, zorder=7)
    axes.add_patch(shade)
    shade.set_clip_path(box)


def shade_edge(axes: Axes, x: float, box: FancyBboxPatch) -> None:
    flat_card(axes, x)
    shade = Polygon(
        [(x, 1.0), (x + 0.75, 1.0), (x + 1.05, 2.7), (x, 2.7)], fc="#1d2b3a", alpha=0.55, lw=0, zorder=7
    )
    axes.add_patch(shade)
    shade.set_clip_path(box)


def glare(axes: Axes, x: float, box: FancyBboxPatch) -> None:
    flat_card(axes, x, 1.3)
    sun = (x + 0.35, 2.3)
    axes.add_patch(Circle(sun, 0.16, fc="#f3c64b", lw=0, zorder=6))
    for angle in np.linspace(0, 2 * np.pi, 12, endpoint=False):
        a = np.array([np.cos(angle), np.sin(angle)])
        axes.plot(*np.stack([sun + 0.2 * a, sun + 0.27 * a]).T, color="#f3c64b", lw=1.6, zorder=6)
    rng = np.random.default_rng(5)
    for px, py in zip(rng.uniform(x + 0.1, x + 1.65, 70), rng.uniform(1.15, 2.0, 70), strict=True):
        axes.add_patch(Ellipse((px, py), 0.05, 0.022, fc="white", lw=0, zorder=7))


def feet(axes: Axes, x: float, box: FancyBboxPatch) -> None:
    flat_card(axes, x, 1.72)
    for dx in (0.62, 0.98):
        axes.add_patch(
            Ellipse((x + dx, 1.28), 0.24, 0.42, angle=8 if dx < 0.8 else -8, fc="#5a4636", zorder=6)
        )
        axes.add_patch(Ellipse((x + dx, 1.20), 0.13, 0.14, fc="#2f3941", lw=0, zorder=7))
    for dx, dy, turn in ((0.25, 2.2, 30), (1.42, 1.75, -40), (0.2, 1.5, 80), (1.5, 1.35, 10)):
        axes.add_patch(
            Ellipse((x + dx, dy), 0.2, 0.1, angle=turn, fc="#b8722f", ec="#7d4b1d", lw=0.5, zorder=6)
        )


def bent(axes: Axes, x: float, box: FancyBboxPatch) -> None:
    card(
        axes, np.array([[x + 0.2, 1.5], [x + 0.62, 1.36], [x + 0.6, 1.85], [x + 0.2, 1.98]]), part=(0.0, 0.5)
    )
    card(
        axes,
        np.array([[x + 0.62, 1.36], [x + 1.05, 1.5], [x + 1.04, 1.98], [x + 0.6, 1.85]]),
        part=(0.5, 1.0),
    )
    front = Bbox([[x + 0.1, 1.22], [x + 1.2, 1.42]])
    rng = np.random.default_rng(6)
    for px in rng.uniform(front.x0, front.x1, 60):
        lean = rng.normal(0, 0.06)
        axes.plot([px, px + lean], [1.22, rng.uniform(1.5, 1.85)], color=DARK_GREEN, lw=1.1, zorder=7)


def mark(axes: Axes, x: float, y: float, good: bool) -> None:
    """A tick or a cross in a disk."""
    axes.add_patch(Circle((x, y), 0.15, fc=GOOD if good else ACCENT, ec="white", lw=1.4, zorder=9))
    strokes = [[(-0.07, 0.0), (-0.02, -0.055), (0.075, 0.06)]]
    if not good:
        strokes = [[(-0.055, -0.055), (0.055, 0.055)], [(-0.055, 0.055), (0.055, -0.055)]]
    for stroke in strokes:
        px, py = zip(*[(x + a, y + b) for a, b in stroke], strict=True)
        axes.plot(px, py, color="white", lw=2.2, solid_capstyle="round", zorder=10)


@drawing.styled
def picture() -> Figure:
    figure = drawing.new_figure(12.5, 8.35)
    wide, tall = figure.get_size_inches()
    figure.text(
        0.3 / wide, 1 - 0.32 / tall, "How to take the photos", fontsize=17, weight="bold", va="center"
    )
    from_above(figure)
    from_one_place(figure)
    light(figure)
    return figure


if __name__ == "__main__":
    OUT.parent.mkdir(exist_ok=True)
    drawing.save(picture(), OUT)
