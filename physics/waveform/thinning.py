"""A long trace in fewer points, of which none that stands out is lost."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def thinned(time: Floats, value: Floats, most: int) -> tuple[Floats, Floats]:
    """At most `most` points (6 or more) of the columns, both of shape (n,): the lowest and highest of each stretch.

    First and last point are kept, and so every extreme; what is kept stays as it was. A trace short enough is returned
    as it is.
    """
    if time.size <= most:
        return time, value
    stretches = (most - 2) // 2
    width = -(-time.size // stretches)
    # The last stretch is filled up with its last point.
    padded = np.concatenate((value, np.full(-time.size % width, value[-1]))).reshape(-1, width)
    starts = width * np.arange(padded.shape[0])
    kept = np.concatenate(([0, time.size - 1], starts + padded.argmin(axis=1), starts + padded.argmax(axis=1)))
    chosen = np.unique(np.minimum(kept, time.size - 1))
    return time[chosen], value[chosen]
