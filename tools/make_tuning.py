"""Render pictures to choose networks by and to fit errors on: scenes as training draws them, of other seeds.

    python tools/make_tuning.py rendered/tune-wide --count 96 --workers 8

Each is what a user's photo is: by one phone, a card in it, at the size of the bench's pictures, its truth
beside it (tools/make_samples.py). The bench's own scenes are of fewer kinds: no yellower grass, no soils of
their own tint. Even seeds are spots, odd ones lawns; nothing lies on the spots, which would hide the card.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import replace

import numpy as np
import pool
from make_samples import make
from make_training import garden_recipe, spot_recipe

from turfeye.simulate.phone import Phone, random_phone
from turfeye.simulate.samples import Job
from turfeye.simulate.spots import random_spot

CARDS = 120  # numbers of printed cards that are drawn from
SPOT_PX, LAWN_PX = (1824, 1368), (2016, 1512)
SPOT_GSD_MM = (0.55, 0.95)
FIRST = 90_000


def job_of(seed: int) -> Job:
    """The picture of a seed."""
    rng = np.random.default_rng([seed, 81])
    phone, number = random_phone(rng), int(rng.integers(1, CARDS))
    if seed % 2 == 0:
        stand = random_spot(seed, card=number)  # for its camera: upright, as with a card in the picture
        recipe = replace(
            spot_recipe(seed),
            name=f"spot-{seed}",
            card=number,
            card_tilt_deg=stand.card_tilt_deg,
            tilt_deg=stand.tilt_deg,
            gsd_mm=float(rng.uniform(*SPOT_GSD_MM)),
            size_px=SPOT_PX,
            focal_35mm=phone.focal_35mm,
            things=0,
            fallen=0.0,
        )
        return Job("tune-wide-spots", recipe, phone, 1, 1_300_000)
    return _lawn(seed, rng, phone, number)


def _lawn(seed: int, rng: np.random.Generator, phone: Phone, number: int) -> Job:
    garden = garden_recipe(seed)
    wide, back = garden.outline_m[1][0], float(rng.uniform(0, 0.7))
    recipe = replace(
        garden,
        name=f"lawn-{seed}",
        camera_m=(wide / 2, -1.6 - back, 1.75 + 2.5 * back),
        target_m=(wide / 2, 1.6 + back, 0.0),
        card=number,
        card_at_m=(wide / 2, 0.45),
        size_px=LAWN_PX,
        focal_35mm=phone.focal_35mm,
    )
    return Job("tune-wide-lawns", recipe, phone, 1, 1_300_000)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    pool.add_arguments(parser, count=96, first=FIRST)
    parser.add_argument("--spp", type=int, default=96)
    say = parser.parse_args()
    jobs = (([job_of(seed)], say.out, say.spp, 1.0, math.inf) for seed in pool.seeds(say))
    pool.run(make, jobs, workers=say.workers, stop_after_s=say.stop_after_s)


if __name__ == "__main__":
    main()
