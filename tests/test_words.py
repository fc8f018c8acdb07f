"""Figures as people read them."""

import re
from pathlib import Path

import hypothesis.strategies as st
from hypothesis import given

import turfeye
from turfeye.words import square_metres


@given(st.floats(1e-6, 1e5))
def test_an_area_is_never_told_as_none(m2):
    said = square_metres(m2)
    assert said.endswith(" m²")
    figure = float(said.removeprefix("under ").removesuffix(" m²"))
    assert figure > 0
    if said.startswith("under"):
        assert m2 < figure
    else:
        assert abs(figure - m2) <= (0.05 if m2 >= 0.095 else 0.005) + 1e-9


def test_four_cells_of_ten_centimetres_have_an_area():
    assert square_metres(4 * 0.1**2) == "0.04 m²"


def test_areas_are_told_in_one_way_everywhere():
    package = Path(turfeye.__file__).parent
    own = re.compile(r"""\.1f\}? m²|%\.1f"\|format\([^)]*m2[^)]*\)""")
    for path in (*package.rglob("*.py"), *package.rglob("*.html")):
        if path.name != "words.py":
            assert not own.search(path.read_text(encoding="utf-8")), path.name


def test_no_other_module_has_words_of_its_own_for_a_chance():
    package = Path(turfeye.__file__).parent
    own = re.compile(r"% sure|(very |un)likely |probably")
    for path in (*package.rglob("*.py"), *package.rglob("*.html")):
        code = re.sub(r'"""(?:.|\n)*?"""|#.*', "", path.read_text(encoding="utf-8"))
        if path.name != "words.py":
            assert not own.search(code), path.name
