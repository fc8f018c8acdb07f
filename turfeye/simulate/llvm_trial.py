"""A program of its own: ends well where the renderer's LLVM variant compiles what it needs.

An LLVM too old for this processor ends the whole process that asks it, so `render` asks here first.
"""

from typing import Any

import numpy as np


def compiles() -> None:
    """Hold numbers between limits, where compilers too old fail. Raises where there is no LLVM."""
    import drjit
    import mitsuba

    mitsuba.set_variant("llvm_ad_rgb")
    numbers: Any = mitsuba.Float([1.0, 2.0])
    np.array(drjit.minimum(drjit.maximum(numbers, 0.0), 1.5))  # compiled on being read


if __name__ == "__main__":
    compiles()
