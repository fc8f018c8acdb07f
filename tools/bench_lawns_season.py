"""Three invented lawns followed by photos for six weeks: what is decided, beside what is true.

    python tools/bench_lawns_season.py OUT                  # hours on two cores (extra simulate)
    python tools/bench_lawns_season.py OUT --no-render      # only the job, on what OUT holds

An L of ryegrass and fescue from a window, with a strip that got no seed, a corner washed out and a shaded
side; a small lawn with a tree ring from the step and from the other side at a person's height, with such a
strip; and a slow one seen from its second side that comes by itself, one side late. Nothing is tuned on them.
Each is made and followed as README.md says, with the corners marked as by hand; then, visit by visit, the
tool prints what was said of each kind of ground, and how far cover, places, amounts and forecasts are off.
What OUT holds is not rendered again. Cards are read from some 90 pixels across on, and few samples a pixel
are told as a grainy photo: hence the defaults.
"""

from __future__ import annotations

import argparse
import json
import shutil
import time
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
from make_samples import expose, lawn_cells

from turfeye import amounts, answer, filing, mixes, newlawn, outlook, survey
from turfeye.lawnrecords import STATES, Target
from turfeye.lawnrecords import Season as Table
from turfeye.outline import circle
from turfeye.simulate import lawns, samples, truth
from turfeye.simulate.phone import MAKES, Phone
from turfeye.simulate.render import Stage

TARGET_AGE = 56
FINE_M, DOWN_M = 0.1, 0.005
"""Truth is kept in cells of 0.1 m, from pixels of 5 mm."""
BY_HAND = 0.0015
"""How far a corner is marked beside where it is, of the photo's width, one standard deviation."""


@dataclass(frozen=True)
class Visit:
    """One date: how it was taken."""

    age_days: int
    time: str
    light: str
    sun_deg: tuple[float, float]  # height, azimuth
    wet: float
    cards: tuple[tuple[float, float, float], ...]  # a view each: x, y, turned


@dataclass(frozen=True)
class Season:
    """An invented lawn, and what its owner does."""

    recipe: lawns.LawnRecipe
    sown: date
    mix: str
    rate_g_m2: float
    views: tuple[tuple[str, tuple[float, float, float], tuple[float, float]], ...]  # name, camera, aim
    visits: tuple[Visit, ...]
    phone: Phone


SEASONS = (
    Season(
        lawns.LawnRecipe(
            name="brook-end",
            seed=60101,
            outline_m=((0, 0), (5.0, 0), (5.0, 2.6), (2.8, 2.6), (2.8, 5.2), (0, 5.2)),
            growth=lawns.Growth(
                first=0.08,
                full=0.95,
                half_days=22,
                pace_days=4.5,
                vary_days=3,
                strip=(1.1, 0.5, 200),
                never=((2.8, 5.2, 0.9, 0.75),),
                late=((5.1, 1.2, 1.3, 2.0, 9),),
            ),
            age_days=0,
            garden_seed=11,
            camera_m=(2.5, -2.4, 3.9),
            target_m=(2.5, 1.7, 0),
            soil="grey silt",
            green=(0.052, 0.112, 0.034),
            straw=0.25,
            length_mm=55,
            focal_35mm=26,
        ),
        date(2026, 4, 4),
        "ryegrass and fescue",
        20,
        (("window", (2.5, -2.4, 3.9), (2.5, 1.7)),),
        (
            Visit(10, "09:20:10", "overcast", (40, 150), 0.6, ((2.4, 0.4, 5),)),
            Visit(17, "13:05:41", "sun", (50, 205), 0.2, ((3.1, 0.6, -20),)),
            Visit(25, "18:31:02", "warm evening", (16, 280), 0.3, ((2.0, 0.5, 14),)),
            Visit(33, "11:44:55", "overcast", (52, 175), 0.5, ((2.8, 0.35, -8),)),
            Visit(43, "10:12:30", "sun", (44, 130), 0.2, ((3.5, 0.45, 30),)),
        ),
        replace(MAKES[0], white_balance_stops=(0.1, -0.1)),
    ),
    Season(
        lawns.LawnRecipe(
            name="mill-lane",
            seed=60202,
            outline_m=((0, 0), (3.0, 0), (3.1, 3.6), (0, 3.6)),
            growth=lawns.Growth(
                first=0.05,
                full=0.94,
                half_days=20,
                pace_days=4.2,
                vary_days=2.5,
                patchiness=0.55,
                strip=(0.75, 0.45, 200),
                late=((1.6, 3.9, 2.6, 1.1, 8),),
            ),
            age_days=0,
            garden_seed=133,
            camera_m=(1.5, -1.6, 1.65),
            target_m=(1.5, 1.1, 0),
            beds_m=(tuple(map(tuple, circle((2.2, 1.9), 0.7).tolist())),),
            soil="red clay",
            green=(0.070, 0.122, 0.028),
            straw=0.12,
            length_mm=45,
            width_mm=2.1,
            upright=0.65,
            focal_35mm=24,
        ),
        date(2026, 8, 24),
        "perennial ryegrass",
        35,
        (("step", (1.5, -1.6, 1.65), (1.5, 1.1)), ("patio", (1.45, 5.25, 1.6), (1.5, 2.4))),
        (
            Visit(9, "10:01:00", "sun", (42, 150), 0.3, ((1.3, 0.4, 12), (1.7, 3.1, 170))),
            Visit(16, "12:40:22", "overcast", (44, 200), 0.6, ((2.0, 0.6, -15), (1.2, 3.0, 185))),
            Visit(24, "09:33:47", "shade", (36, 140), 0.4, ((1.6, 0.3, 3), (2.1, 2.9, 165))),
            Visit(32, "15:20:05", "overcast", (30, 230), 0.5, ((1.1, 0.7, 25), (1.5, 3.2, 190))),
            Visit(42, "13:10:59", "sun", (34, 195), 0.2, ((1.9, 0.4, -6), (1.6, 2.8, 178))),
        ),
        replace(MAKES[1], white_balance_stops=(-0.1, 0.1)),
    ),
    Season(
        lawns.LawnRecipe(
            name="station-road",
            seed=60303,
            outline_m=((0, 0), (6.1, 0), (6.1, 4.9), (0, 4.9)),
            growth=lawns.Growth(
                first=0.10,
                full=0.93,
                half_days=25,
                pace_days=5,
                vary_days=3.5,
                late=((0.2, 2.4, 1.5, 3.4, 9),),
                pale=((4.2, 3.6, 0.7, 0.5),),
            ),
            age_days=0,
            garden_seed=31,
            camera_m=(8.2, 2.6, 4.1),
            target_m=(3.6, 2.4, 0),
            soil="pale clay",
            straw=0.18,
            length_mm=42,
            width_mm=1.9,
            leaves_per_m2=1.5,
            focal_35mm=28,
        ),
        date(2026, 3, 28),
        "fine fescue",
        12,
        (("back bedroom", (8.2, 2.6, 4.1), (3.6, 2.4)),),
        (
            Visit(11, "09:50:00", "overcast", (38, 150), 0.5, ((5.4, 2.2, 88),)),
            Visit(19, "12:10:18", "shade", (46, 190), 0.3, ((5.0, 3.0, 100),)),
            Visit(27, "16:55:33", "sun", (28, 250), 0.2, ((5.5, 1.8, 80),)),
            Visit(35, "10:30:41", "overcast", (50, 160), 0.6, ((5.2, 2.6, 95),)),
            Visit(45, "11:15:09", "overcast", (56, 180), 0.4, ((5.6, 3.3, 70),)),
        ),
        replace(MAKES[2], exposure_stops=0.1),
    ),
)


def looks(season: Season, number: int, scale: float) -> list[lawns.LawnRecipe]:
    """A visit's photos: a recipe each. Nobody stands where they stood before, to the hand's breadth."""
    visit = season.visits[number]
    made = []
    for k, (name, camera, aim) in enumerate(season.views):
        rng = np.random.default_rng([season.recipe.seed, number, k])
        off = rng.normal(0, [0.1, 0.08, 0.04]) if number else np.zeros(3)
        x, y, turn = visit.cards[k]
        day = season.sown + timedelta(days=visit.age_days)
        time_of = f"{visit.time[:6]}{int(visit.time[6:]) // 2 + 30 * k:02d}"
        made.append(
            replace(
                season.recipe,
                name=f"{day.isoformat()}-{name.replace(' ', '-')}",
                age_days=float(visit.age_days),
                camera_m=tuple(np.add(camera, off).tolist()),
                target_m=(*(np.add(aim, rng.normal(0, 0.1, 2) if number else 0)).tolist(), 0.0),
                garden_camera_m=season.recipe.camera_m,
                light=visit.light,
                sun_elevation_deg=float(visit.sun_deg[0]),
                sun_azimuth_deg=float(visit.sun_deg[1]),
                wet=visit.wet,
                straw=season.recipe.straw * 0.985**visit.age_days,
                mown_mm=80.0 if visit.age_days < 30 else 42.0,
                card=0,
                card_at_m=(x, y),
                card_turn_deg=float(turn),
                card_tilt_deg=tuple(rng.normal(0, 0.7, 2).tolist()),
                size_px=tuple(int(v * scale) // 2 * 2 for v in (2016, 1512)),
                taken=f"{day.isoformat()}T{time_of}",
            )
        )
    return made


def true_cover(stage: Stage, recipe: lawns.LawnRecipe) -> dict[str, np.ndarray]:
    """Green and lawn, m2 of each fine cell from straight above; the card's place is left out of both."""
    grid = lawn_cells(recipe.outline_m, FINE_M)
    x1, y1 = grid.x0_m + grid.cols * FINE_M, grid.y0_m + grid.rows * FINE_M
    down = stage.straight_down((grid.x0_m, grid.y0_m, x1, y1), pixel_m=DOWN_M, spp=6)
    card = None if recipe.card is None else truth.CardPlace(*recipe.card_at_m, recipe.card_turn_deg)
    table = truth.cell_table(down, grid, pixel_m=DOWN_M, card=card)
    shown = np.full((3, grid.rows, grid.cols), np.nan, np.float32)
    at = table[:, 0].astype(int), table[:, 1].astype(int)
    free = table[:, 4] * (1 - table[:, 9])
    for k, value in enumerate((free, table[:, 5] * free, table[:, 7] * free)):
        shown[k][at] = value
    return dict(zip(("lawn_m2", "green_m2", "bare_m2"), shown, strict=True))


def render(season: Season, out: Path, scale: float, spp: int) -> None:
    """The photos and the truth of one season; what is there is left."""
    folder = out / season.recipe.name
    (folder / "photos").mkdir(parents=True, exist_ok=True)
    for number, visit in enumerate(season.visits):
        for k, recipe in enumerate(looks(season, number, scale)):
            facts = folder / f"{recipe.name}.json"
            if facts.exists():
                continue
            start = time.time()
            today = np.random.default_rng([recipe.seed, number])
            stage = Stage(lawns.garden_parts(recipe, today=today), recipe.lighting())
            picture = stage.photograph(recipe.view(), spp=spp, seed=recipe.seed % 10_000 + number)
            job = samples.Job(
                season.recipe.name, recipe, replace(season.phone, focal_35mm=recipe.focal_35mm), number
            )
            (folder / "photos" / f"{recipe.name}.jpg").write_bytes(expose(picture, job, recipe))
            if k == 0:
                np.savez_compressed(folder / f"truth-{visit.age_days}.npz", **true_cover(stage, recipe))
            flat = np.column_stack([recipe.outline_m, np.zeros(len(recipe.outline_m))])
            view = recipe.view()
            known = {"camera_m": view.camera_m.tolist(), "corners_px": truth.project(view, flat).tolist()}
            facts.write_text(json.dumps({"recipe": recipe.as_json(), **known}, indent=1))
            print(f"{recipe.name}: {time.time() - start:.0f} s", flush=True)
    if not (folder / f"truth-{TARGET_AGE}.npz").exists():
        last = replace(looks(season, len(season.visits) - 1, scale)[0], age_days=float(TARGET_AGE), card=None)
        stage = Stage(lawns.lawn_parts(last), last.lighting())
        np.savez_compressed(folder / f"truth-{TARGET_AGE}.npz", **true_cover(stage, last))


# -- the job ---------------------------------------------------------------------------------------------

KINDS = ("sown", "left out", "washed out", "late")


def kinds_of(growth: lawns.Growth, x_m: np.ndarray, y_m: np.ndarray) -> np.ndarray:
    """What is the matter at places (N,): an index into KINDS."""
    kind = np.zeros(np.shape(x_m), int)
    for x, y, across, along, _ in growth.late:
        kind[np.hypot((x_m - x) / across, (y_m - y) / along) < 1] = 3
    for x, y, across, along in growth.never:
        kind[np.hypot((x_m - x) / across, (y_m - y) / along) < 1] = 2
    if growth.strip is not None:
        at, width, _ = growth.strip
        kind[np.floor((x_m - at + width / 2).round(3) / width) == 0] = 1
    return kind


@dataclass(frozen=True, eq=False)
class Truth:
    """What is true on one day, in fine cells (N,)."""

    x_m: np.ndarray
    y_m: np.ndarray
    lawn_m2: np.ndarray
    green_m2: np.ndarray
    kind: np.ndarray

    @classmethod
    def on(cls, folder: Path, season: Season, age_days: int) -> Truth:
        """As `render` left it."""
        with np.load(folder / f"truth-{age_days}.npz") as kept:
            lawn, green = kept["lawn_m2"], kept["green_m2"]
        there = np.nan_to_num(lawn) > 0
        x, y = lawn_cells(season.recipe.outline_m, FINE_M).centres_m()[there].T
        return cls(x, y, lawn[there], green[there], kinds_of(season.recipe.growth, x, y))

    def in_cells(self, table: Table, values: np.ndarray) -> np.ndarray:
        """(cells,) sums of fine values (N,) in a season's cells."""
        grid = table.grid
        col, row = ((v - v0) // grid.cell_m for v, v0 in ((self.x_m, grid.x0_m), (self.y_m, grid.y0_m)))
        index = (row * grid.cols + col).astype(int)
        return np.bincount(index, values, grid.rows * grid.cols)[table.row * grid.cols + table.col]

    def of_cells(self, table: Table) -> np.ndarray:
        """(cells,) cover of a season's cells; NaN where too little of one is known."""
        lawn, green = self.in_cells(table, self.lawn_m2), self.in_cells(table, self.green_m2)
        return np.where(lawn > 0.3 * table.area_m2, green / np.maximum(lawn, 1e-9), np.nan)

    def kind_of_cells(self, table: Table) -> np.ndarray:
        """(cells,) the kind of ground that most of a cell is; -1 where none has three quarters of it."""
        share = np.array([self.in_cells(table, self.lawn_m2 * (self.kind == k)) for k in range(len(KINDS))])
        share /= np.maximum(share.sum(axis=0), 1e-9)
        return np.where(share.max(axis=0) >= 0.75, share.argmax(axis=0), -1)

    def cover(self, where: np.ndarray) -> float:
        """Of some fine cells."""
        return float(self.green_m2[where].sum() / max(self.lawn_m2[where].sum(), 1e-9))


def made_lawn(season: Season, folder: Path, out: Path) -> None:
    """The lawn as its owner makes it, and the first photo of each view with its corners marked."""
    shutil.rmtree(folder, ignore_errors=True)
    recipe = season.recipe
    sown = {"sown": season.sown, "mix": season.mix, "rate_g_m2": season.rate_g_m2}
    newlawn.make(folder, outline_m=recipe.outline_m, **sown)
    rings = [", ".join(f"[{x:.2f}, {y:.2f}]" for x, y in bed) for bed in recipe.beds_m]
    file = folder / "lawn.toml"
    file.write_text(file.read_text() + "\n" + "".join(f"\n[[bed]]\narea_m = [{ring}]\n" for ring in rings))
    rng = np.random.default_rng(recipe.seed)
    for one, (name, _, _) in zip(looks(season, 0, 1.0), season.views, strict=True):
        facts = json.loads((out / f"{one.name}.json").read_text())
        corners = np.array(facts["corners_px"])
        corners += rng.normal(0, BY_HAND * facts["recipe"]["size_px"][0], corners.shape)
        photo = out / "photos" / f"{one.name}.jpg"
        filing.add(folder, [photo], view=name, corners_px=corners.round().tolist())


def follow(season: Season, out: Path) -> None:
    """One season, visit by visit: what was said beside what is true."""
    here, folder = out / season.recipe.name, out / "lawns" / season.recipe.name
    made_lawn(season, folder, here)
    target, said = Truth.on(here, season, TARGET_AGE), None
    for number, visit in enumerate(season.visits):
        if number:
            filing.add(folder, [here / "photos" / f"{one.name}.jpg" for one in looks(season, number, 1.0)])
        true = Truth.on(here, season, visit.age_days)
        if said is not None:
            _forecast(said, true, visit.age_days)
        said = survey.season(folder, today=season.sown + timedelta(days=visit.age_days))
        print(f"\n## {season.recipe.name}, day {visit.age_days} ({visit.light})")
        print("\n".join(f"    {line}" for line in answer.ten_lines(said)))
        _cover(said.season, true)
        _states(said, true, target)
        _patches(said, target)
        _forecast(said, target, TARGET_AGE)


def _cover(table: Table, true: Truth) -> None:
    """The last day's cells against truth."""
    cover, kind = true.of_cells(table), true.kind_of_cells(table)
    for v, visit in enumerate(table.visits):
        if visit.taken.date() != table.visits[-1].taken.date():
            continue
        off, se = table.cover[:, v] - cover, table.cover_se[:, v]
        ok = np.isfinite(off)
        within = [f"{np.mean(np.abs(off[ok]) < n * se[ok]):.0%}" for n in (1, 2)]
        print(
            f"  {visit.view}: {ok.sum()} of {len(ok)} cells; cover off by {100 * off[ok].mean():+.1f}, "
            f"{100 * np.abs(off[ok]).mean():.1f} a cell; within 1 and 2 se {' and '.join(within)}"
        )
        for k, name in enumerate(KINDS):
            if (some := ok & (kind == k)).any():
                read = table.cover[some, v]
                print(f"    {name}: true {100 * cover[some].mean():.0f}, read {100 * read.mean():.0f} %")


def _states(said: answer.Answer, true: Truth, target: Truth) -> None:
    """Cells by what is the matter there and what they are called."""
    kind, end = true.kind_of_cells(said.season), target.of_cells(said.season)
    for k, name in [*enumerate(KINDS), (-1, "mixed")]:
        if (some := kind == k).any():
            counts = [(state, int((said.outlook.state[some] == state).sum())) for state in STATES]
            called = ", ".join(f"{state} {count}" for state, count in counts if count)
            print(f"  {name}, {100 * np.nanmean(end[some]):.0f} % on day {TARGET_AGE}: {called}")


def _patches(said: answer.Answer, target: Truth) -> None:
    """The plan's patches beside the ground that they lie on, and what would be right."""
    for task in said.plan.tasks:
        patch = task.patch
        inside = lawns.inside(tuple(map(tuple, patch.outline_m[:-1])))(target.x_m, target.y_m)
        areas = [target.lawn_m2[inside & (target.kind == k)].sum() for k in range(len(KINDS))]
        on = ", ".join(f"{a:.2f} m2 {name}" for a, name in zip(areas, KINDS, strict=True) if a > 0.02)
        print(
            f"  patch {patch.number}, {patch.kind} ({patch.how_sure:.0%}): {patch.area_m2:.2f} ± "
            f"{patch.area_se_m2:.2f} m2 at {patch.x_m:.2f}, {patch.y_m:.2f}, {task.seed_g:.0f} g; lies on "
            f"{on}, {100 * target.cover(inside):.0f} % on day {TARGET_AGE}\n      {task.because}"
        )
    sowing, aim = said.season.sowing, said.season.target.cover
    rate, _ = amounts.bare_rate_g_m2(mixes.get(sowing.mix), sowing.rate_g_m2, amounts.PlanSettings())
    for k in (1, 2):
        if (some := target.kind == k).any():
            area, cover = target.lawn_m2[some].sum(), target.cover(some)
            x, y = (np.average(v[some], weights=target.lawn_m2[some]) for v in (target.x_m, target.y_m))
            print(
                f"  truth: {KINDS[k]} {area:.2f} m2 about {x:.2f}, {y:.2f}, {100 * cover:.0f} % on day "
                f"{TARGET_AGE}: {rate * area * max(1 - cover / aim, 0):.0f} g"
            )


def _forecast(said: answer.Answer, true: Truth, age_days: int) -> None:
    """The intervals forecast for a day against it."""
    table, place = said.season, said.lawn
    if len({visit.taken.date() for visit in table.visits}) < 2:
        return
    later = replace(table, target=Target(table.target.cover, table.sowing.date + timedelta(days=age_days)))
    how = {"curve": place.curve, "time_axis": place.time_axis, "users": place.mixes}
    ahead = outlook.fit(later, mix=mixes.get(table.sowing.mix), **how)
    cover = true.of_cells(table)
    ok = (ahead.state != "not seen") & np.isfinite(cover)
    low, middle, high = ahead.cover_at_target_low, ahead.cover_at_target, ahead.cover_at_target_high
    held, off = ((cover >= low) & (cover <= high))[ok], 100 * (middle - cover)[ok]
    one, mean = ahead.lawn, np.average(cover[ok], weights=table.area_m2[ok])
    print(
        f"  day {age_days} as forecast: 90 % interval holds {held.mean():.0%} of cells, off by "
        f"{off.mean():+.1f}, {np.abs(off).mean():.1f} a cell; lawn {100 * one.cover_at_target:.0f} "
        f"({100 * one.cover_at_target_low:.0f} to {100 * one.cover_at_target_high:.0f}), true "
        f"{100 * mean:.0f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("out", type=Path)
    parser.add_argument("--only", default="", help="only lawns whose name holds this")
    parser.add_argument("--scale", type=float, default=1.3)
    parser.add_argument("--spp", type=int, default=24)
    parser.add_argument("--no-render", action="store_true")
    args = parser.parse_args()
    for season in SEASONS:
        if args.only in season.recipe.name:
            if not args.no_render:
                render(season, args.out, args.scale, args.spp)
            follow(season, args.out)


if __name__ == "__main__":
    main()
