"""The pages of the docs name everything that the program reads and writes."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from turfeye import bydate, byphoto, lawnfile, planfile, results, series, store, treatments
from turfeye.answer import Answer

DOCS = Path(__file__).parent.parent / "docs"


def test_every_key_of_the_lawn_file_is_explained() -> None:
    page = (DOCS / "lawn-file.md").read_text(encoding="utf-8")
    rows = [line.split("|")[1].strip() for line in page.splitlines() if line.startswith("| `")]
    for name, field in lawnfile.LawnPart.model_fields.items():
        key = field.alias or name
        part = lawnfile.PARTS.get(key)
        if part is None:
            assert any(f"`{key}`" == row or f"`[[{key}]]`" == row for row in rows), key
            continue
        for inner in part.model_fields:
            wanted = (f"`[[{key}]]` `{inner}`", f"`[{key}]` `{inner}`")
            assert any(row in wanted for row in rows), (key, inner)


def test_the_example_is_a_lawn_file() -> None:
    page = (DOCS / "lawn-file.md").read_text(encoding="utf-8")
    example = page.split("instead.\n\n")[1].split("\n\n| key")[0]
    text = "\n".join(line.removeprefix("    ") for line in example.splitlines() if line[:4].isspace())
    assert lawnfile.parse(text).name == "Ferry Cottage, back"


@pytest.mark.parametrize("table", ["cells.csv", "season.csv", "plan.csv"])
def test_every_column_is_explained(table: str, answer: Answer) -> None:
    page = (DOCS / "columns.md").read_text(encoding="utf-8")
    section = page.split(f"## results/{table}")[1].split("\n## ")[0]
    named = {
        name
        for line in section.splitlines()
        if line.startswith("| `")
        for name in re.findall(r"`(\w+)`", line.split("|")[1])
    }
    results.write(answer)
    written = (answer.lawn.results_dir / table).read_text().splitlines()[0].split(",")
    assert named == set(written)


def test_every_column_of_the_materials_is_explained() -> None:
    page = (DOCS / "columns.md").read_text(encoding="utf-8")
    section = page.split("## results/materials.csv")[1].split("\n\n`results")[0]
    lines = [line.split("|")[1] for line in section.splitlines() if line.startswith("| `")]
    assert {name for line in lines for name in re.findall(r"`(\w+)`", line)} == set(planfile.MATERIAL_COLUMNS)


@pytest.mark.parametrize(
    ("table", "columns"),
    [(byphoto.PHOTOS, series.COLUMNS), (byphoto.FILED, byphoto.FILED_COLUMNS)],
)
def test_every_column_of_the_photos_is_explained(table: str, columns: tuple[str, ...]) -> None:
    page = (DOCS / "columns.md").read_text(encoding="utf-8")
    section = page.split(f"## results/{table}")[1].split("\n## ")[0]
    lines = [line.split("|")[1] for line in section.splitlines() if line.startswith("| `")]
    assert {name for line in lines for name in re.findall(r"`(\w+)`", line)} == set(columns)


@pytest.mark.parametrize(
    ("table", "columns"),
    [
        ("plots.csv", planfile.PLOT_COLUMNS),
        (bydate.BY_DATE, bydate.columns(treatments.Treatments())),
        (bydate.MEANS, bydate.MEAN_COLUMNS),
    ],
)
def test_every_column_of_the_plots_is_explained(table: str, columns: tuple[str, ...]) -> None:
    page = (DOCS / "columns.md").read_text(encoding="utf-8")
    section = page.split(f"## results/{table}")[1].split("\n## ")[0]
    lines = [line.split("|")[1] for line in section.splitlines() if line.startswith("| `")]
    assert {name for line in lines for name in re.findall(r"`(\w+)`", line)} == set(columns)


def test_the_contract_s_columns_come_first() -> None:
    assert planfile.PLAN_COLUMNS == (
        "patch", "x_m", "y_m", "area_m2", "deficit", "seed_g", "dressing_l", "because",
    )  # fmt: skip
    assert store.SEASON_FIELDS[-2:] == ("state", "why")
