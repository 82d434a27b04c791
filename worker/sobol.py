"""Points spread evenly over a cube."""

from __future__ import annotations

from importlib import import_module

import numpy as np
from numpy.typing import NDArray


def sobol(variables: int, count: int, seed: int) -> NDArray[np.float64]:
    """The first `count` points of a scrambled Sobol' sequence, (count, variables) from 0 to 1."""
    # Loaded here: the library of statistics takes half a second, which who only starts or serves does not need.
    qmc = import_module("scipy.stats.qmc")
    return np.asarray(qmc.Sobol(variables, seed=seed).random(count), dtype=np.float64)
