"""The array types of the house: last axis is colour, XYZ absolute in cd/m²."""

from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Places = NDArray[np.intp]
Mask = NDArray[np.bool_]


def read_only(values: ArrayLike) -> Array:
    """Return a copy of ``values`` as float64 that nobody can write to."""
    array = np.array(values, dtype=np.float64)
    array.flags.writeable = False
    return array


@contextmanager
def one_thread() -> Iterator[None]:
    """Run linear algebra on one thread: one or two give other last bits in large factorisations."""
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1):
        yield
