"""Work arrays that are kept from block to block: fresh large temporaries go back to the system and are re-faulted."""

import threading
from math import prod
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

MOST_KEPT = 1 << 20  # cells; larger work gets fresh arrays


class _Kept(threading.local):
    def __init__(self) -> None:
        self.arrays: dict[tuple[str, str], NDArray[Any]] = {}


_KEPT = _Kept()


def scratch(name: str, shape: tuple[int, ...], dtype: DTypeLike = float) -> NDArray[Any]:
    """Return an uninitialised array that lives until the next request of the same `name` in this thread."""
    size = prod(shape)
    if size > MOST_KEPT:
        return np.empty(shape, dtype=dtype)
    key = (name, np.dtype(dtype).str)
    held = _KEPT.arrays.get(key)
    if held is None or held.size < size:
        held = _KEPT.arrays[key] = np.empty(size, dtype=dtype)
    return held[:size].reshape(shape)
