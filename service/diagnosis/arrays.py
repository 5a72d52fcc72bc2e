"""The kinds of arrays that belief is kept in."""

import numpy as np
from numpy.typing import NDArray

Vector = NDArray[np.float64]
"""Numbers, of as many dimensions as is said where one is used."""

Index = NDArray[np.intp]
"""Positions in another array."""

Mask = NDArray[np.bool_]
"""What of another array is meant."""
