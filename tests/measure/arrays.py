"""Arrays of results as lists, which compare."""

from typing import Any

import numpy as np


def listed(array: "np.ndarray[Any, Any] | None") -> list[Any]:
    """Gives an array that has to be there as a list."""
    assert array is not None
    values: list[Any] = array.tolist()
    return values
