"""What cells and lawn are told once their patches are known, so that map, headline and plan say one thing.

A patch is told by all of its cells together, and so more surely than any of them alone: a strip whose seed is
only late is slow though cells of it are thin each for itself, and one that won't fill gets seed where it is
slow too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from turfeye.headline import sentence
from turfeye.lawnrecords import STATES, Outlook, Patch
from turfeye.states import chance_short, next_look, with_caution
from turfeye.words import wont_fill


def by_patches(outlook: Outlook, patches: Sequence[Patch]) -> Outlook:
    """The outlook of a lawn whose thin and slow patches are these.

    Thin cells of a thin patch have its chance, those of a slow one are slow; their reasons say so, and the
    lawn's figures and headline are counted again.
    """
    season, look = outlook.season, next_look(outlook.season)
    state, why, p_thin = outlook.state.copy(), outlook.why.astype(object), outlook.p_thin.copy()
    for patch in patches:
        thin = patch.cells[state[patch.cells] == "thin"]
        slow = patch.cells[state[patch.cells] == "slow"]
        if patch.kind == "slow":
            state[thin] = "slow"
            says = [(thin, f"but part of a strip that is merely late, patch {patch.number}")]
        else:
            p_thin[thin] = with_caution(patch.how_sure)
            says = [
                (thin, wont_fill(patch.how_sure, look)),
                (slow, f"but part of a strip that gets seed, patch {patch.number}"),
            ]
        for cells, words in says:
            why[cells] = [f"{str(one).split(';', maxsplit=1)[0]}; {words}" for one in why[cells]]
    counts = {word: int((state == word).sum()) for word in STATES}
    thin_m2 = float(season.area_m2[state == "thin"].sum())
    lawn = replace(outlook.lawn, counts=counts, thin_m2=thin_m2)
    told = sentence(
        season,
        lawn.cover_now,
        counts,
        thin_m2,
        usual=lawn.usual_now,
        loss=lawn.loss,
        missing=lawn.missing,
        chances=chance_short(p_thin[state == "thin"]),
        look=look,
    )
    return replace(
        outlook, state=state, why=why.astype(np.str_), p_thin=p_thin, lawn=replace(lawn, sentence=told)
    )
