"""Real grass pasted on real pebbles through a known mask: cover of real pixels whose truth is exact.

Semi-synthetic: pixels are photographs, their arrangement is ours. Both textures lie in Debian's sweethome3d
(GPL-2+), so they are fetched and never kept here:

    apt-get download sweethome3d && dpkg -x sweethome3d_*.deb DIR
    python tools/semi_synthetic.py DIR/usr/share/sweethome3d/sweethome3d.jar

The mask counts the grass's own dark gaps and dry blades as grass, so what the classifier makes of the texture
alone (the last line) is the most that it can say.
"""

from __future__ import annotations

import argparse
import zipfile
from pathlib import Path

import cv2
import numpy as np

from turfeye import sward

WITHIN = "com/eteks/sweethome3d/io/resources/textures/"
SIZE_PX = (600, 800)
SHARES = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)


def texture(jar: zipfile.ZipFile, name: str) -> np.ndarray:
    """One texture, mirrored and tiled over the picture, RGB."""
    coded = cv2.imdecode(np.frombuffer(jar.read(WITHIN + name), np.uint8), cv2.IMREAD_COLOR)[..., ::-1]
    wide = np.concatenate([coded, coded[:, ::-1]], axis=1)
    both = np.concatenate([wide, wide[::-1]])
    height, width = SIZE_PX
    return np.tile(both, (height // both.shape[0] + 1, width // both.shape[1] + 1, 1))[:height, :width]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("jar", type=Path)
    options = parser.parse_args()
    with zipfile.ZipFile(options.jar) as jar:
        grass, pebbles = texture(jar, "grass.jpg"), texture(jar, "pebbles.jpg")
    field = cv2.GaussianBlur(np.random.default_rng(3).normal(size=SIZE_PX), (0, 0), 14)
    for share in SHARES:
        mask = field <= np.quantile(field, share) if share else np.zeros(SIZE_PX, bool)
        green = sward.classify(np.where(mask[..., None], grass, pebbles).astype(np.uint8)).green
        found = green > 0.5
        iou = (found & mask).sum() / max((found | mask).sum(), 1)
        print(f"true {100 * mask.mean():5.1f} %  measured {100 * green.mean():5.1f} %  IoU {iou:.3f}")


if __name__ == "__main__":
    main()
