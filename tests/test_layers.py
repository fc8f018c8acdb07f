"""Each module imports only from modules above it. The order is here, and every module stands in it."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import turfeye

PACKAGE = Path(turfeye.__file__).parent

# One line a layer, from the top. Modules on one line may not import each other.
ORDER = (
    "errors",
    "records files words",
    "notes days",
    "diary lawnrecords screens",
    "photo colourspace gapfraction temperatures",
    "card_layout readings edges",
    "card_values card_print sheets",
    "marks",
    "overgrown afar bleed evened",
    "card",
    "colourmatrix",
    "colour",
    "reflectance",
    "stray",
    "outline cautions mixes",
    "amounts plotsheet",
    "contours treatments",
    "view tape places gather bedcheck pegcheck wording",
    "corners cut upright sameground foreshortening",
    "models",
    "sward",
    "region",
    "lighting blocks darksoil",
    "sharpness",
    "soilcolour",
    "faults leafcolour",
    "retake covererror judging onlawn",
    "cells lawncheck lawntext",
    "lawnfile caveats",
    "lawn",
    "filing newlawn samples",
    "strokes",
    "teach",
    "store",
    "glance summary",
    "repose",
    "align",
    "standpoints",
    "clock curve kinds headline setback",
    "prior",
    "growth states",
    "draws oversown",
    "outlook",
    "season trial kriging",
    "histories",
    "unmix turned",
    "profiles",
    "stripes",
    "passes",
    "course patches palepatches settled uniformity unseen shown window compare",
    "plots aftercare",
    "workplan",
    "renovation",
    "planfile",
    "answer",
    "drawing rounds pages",
    "charts plottables markpage",
    "sheet",
    "results",
    "lessons series whereabouts photonames",
    "measurement",
    "bydate byphoto",
    "doubts",
    "survey",
    "simulate",
    "cli",
)
RANK = {name: rank for rank, line in enumerate(ORDER) for name in line.split()}
# The simulator knows the records, the card, colour and the view, and nothing of measuring.
SIMULATE_MAY = {
    "errors",
    "records",
    "lawnrecords",
    "files",
    "card_layout",
    "card_values",
    "card_print",
    "card",
    "colourspace",
    "colour",
    "outline",
    "view",
}


def modules() -> list[str]:
    """Top-level modules and packages by name."""
    found = [p.stem for p in PACKAGE.glob("*.py") if p.stem not in ("__init__", "__main__")]
    return sorted(found + [p.parent.name for p in PACKAGE.glob("*/__init__.py")])


def files_of(name: str) -> list[Path]:
    alone = PACKAGE / f"{name}.py"
    return [alone] if alone.is_file() else sorted((PACKAGE / name).rglob("*.py"))


def imported(path: Path) -> set[str]:
    """Top-level turfeye modules that a file imports, anywhere in it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {a.name.split(".")[1] for a in node.names if a.name.startswith("turfeye.")}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            words = (node.module or "").split(".")
            if words[0] == "turfeye":
                found |= {words[1]} if len(words) > 1 else {a.name for a in node.names}
    return found & set(modules())


def test_every_module_has_its_place() -> None:
    assert set(modules()) <= set(RANK), set(modules()) - set(RANK)


@pytest.mark.parametrize("name", modules())
def test_imports_come_from_above(name: str) -> None:
    for path in files_of(name):
        for other in imported(path) - {name}:
            assert RANK[other] < RANK[name], (
                f"{path.name} imports {other}, which stands below or beside {name}"
            )


def test_developers_md_tells_what_every_module_is_for() -> None:
    text = (Path(__file__).parent.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert [name for name in modules() if f"`{name}`" not in text and f"`{name}/`" not in text] == []


def test_the_simulator_knows_nothing_of_measuring() -> None:
    for path in files_of("simulate"):
        assert imported(path) <= SIMULATE_MAY | {"simulate"}, path.name


def test_only_charts_and_the_card_s_printing_draw() -> None:
    allowed = {"charts", "drawing", "card_print"}
    for name in set(modules()) - allowed - {"simulate"}:
        for path in files_of(name):
            assert "matplotlib" not in path.read_text(encoding="utf-8"), path.name


def test_pyplot_is_nowhere() -> None:
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                assert not any(alias.name == "matplotlib.pyplot" for alias in node.names), path
            elif isinstance(node, ast.ImportFrom):
                assert node.module != "matplotlib.pyplot", path
                assert not (node.module == "matplotlib" and any(a.name == "pyplot" for a in node.names)), path


def test_modules_fit_on_a_few_screens() -> None:
    lengths = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in PACKAGE.rglob("*.py")}
    long = {path.name: lines for path, lines in lengths.items() if lines > 450}
    assert not long
