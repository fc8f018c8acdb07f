"""A whole answer for one simulated lawn, for the tests of what people are shown."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from PIL import Image

from turfeye import course, mixes, newlawn, notes, outlook, patches, workplan
from turfeye.answer import Answer
from turfeye.simulate import tables


@pytest.fixture(scope="session")
def answer(tmp_path_factory: pytest.TempPathFactory) -> Answer:
    """An invented lawn of 9 × 6 m with three places where nothing took, on day 28, with two photos."""
    folder = tmp_path_factory.mktemp("round") / "back"
    home = newlawn.make(
        folder,
        name="Back <lawn> & path",
        outline_m=[(0, 0), (9, 0), (9, 6), (0, 6)],
        sown=date(2026, 3, 14),
    )
    season, _ = tables.lawn(7, tables.TableRecipe(rows=12, cols=18, failed_patches=3), until_day=28)
    visits = list(season.visits)
    for i in (0, -1):
        name = f"{visits[i].taken:%Y-%m-%dT%H-%M-%S}-abcdef.jpg"
        noise = np.random.default_rng(i + 2).integers(40, 200, (300, 420, 3), dtype=np.uint8)
        Image.fromarray(noise).save(home.photos_dir / name)
        visits[i] = replace(visits[i], photos=(name,), view="window")
    season = replace(season, visits=tuple(visits))
    mix = mixes.get("perennial ryegrass")
    seen = outlook.fit(season)
    thin = patches.thin(seen)
    plan = workplan.plan(seen, thin, mix, outline_m=home.outline_m)
    return Answer(
        lawn=home,
        outlook=seen,
        course=course.of(seen, mix=mix),
        thin=thin,
        pale=(),
        plan=plan,
        notes=(notes.Note(("one photo was taken in uneven light",)),),
    )
