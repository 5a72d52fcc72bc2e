"""Guards shared by the calculations: a bad number is a ValueError that names the argument."""

from __future__ import annotations

import math


def require_finite(**values: float) -> None:
    """Raises ValueError for NaN and infinity."""
    for name, value in values.items():
        if not math.isfinite(value):
            raise ValueError(f"{name} must be a finite number, got {value}")


def require_size(**values: float) -> None:
    """Raises ValueError for NaN, infinity and negative numbers."""
    for name, value in values.items():
        if not (math.isfinite(value) and value >= 0.0):
            raise ValueError(f"{name} must be finite and not negative, got {value}")


def require_positive(**values: float) -> None:
    """Raises ValueError for NaN, infinity, zero and negative numbers."""
    for name, value in values.items():
        if not (math.isfinite(value) and value > 0.0):
            raise ValueError(f"{name} must be finite and greater than 0, got {value}")
