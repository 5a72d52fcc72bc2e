"""The reliability diagram: how often a verdict is right, by the confidence it is given with."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import matplotlib as mpl
from matplotlib.figure import Figure

# The same data give the same file.
_FIXED = {"svg.hashsalt": "ohmpath", "svg.fonttype": "none"}


def draw(rows: Sequence[tuple[float, float, int]], error: float, file: Path) -> None:
    """Write the diagram as SVG.

    `rows`: by bin, mean confidence, share right and number of verdicts; bars are one standard
    error of the share.
    """
    confidence = [one[0] for one in rows]
    right = [one[1] for one in rows]
    spread = [(p * (1.0 - p) / count) ** 0.5 for _, p, count in rows]
    with mpl.rc_context(_FIXED):
        figure = Figure(figsize=(5.2, 5.0), layout="constrained")
        axes = figure.subplots()
        low = min(*confidence, *right) - 0.03
        axes.plot([low, 1.0], [low, 1.0], color="0.55", linestyle="--", label="as said")
        axes.errorbar(
            confidence,
            right,
            yerr=spread,
            fmt="o-",
            color="#1f4e79",
            capsize=3,
            label=f"{sum(one[2] for one in rows):,} verdicts, mean error {error:.3f}",
        )
        axes.set(
            xlim=(low, 1.005),
            ylim=(low, 1.01),
            xlabel="confidence of the verdict",
            ylabel="share of verdicts that were right",
            title="Verdicts on the virtual bench",
        )
        axes.grid(color="0.9")
        axes.legend(loc="upper left")
        figure.savefig(file, format="svg", metadata={"Date": None})
