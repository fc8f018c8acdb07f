"""The reference card: found in a photo, its patches read."""

from __future__ import annotations

from turfeye.card_layout import CARD, NOMINAL, SPOTS
from turfeye.card_print import draw, draw_for_print, print_pdf, print_png

__all__ = ["CARD", "NOMINAL", "SPOTS", "draw", "draw_for_print", "print_pdf", "print_png"]
