"""The service against the optimum, as tables: `python -m tests.optimum.report --help`."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from statistics import fmean

from tests.optimum.compare import Comparison, Ends, by_confidence, by_costs
from tests.optimum.problems import by_hand, drawn
from tests.optimum.regret import KINDS


def cost_table(found: Sequence[Comparison]) -> str:
    """Expected minutes by costs; the last columns say by which choices they are lost."""
    lines = [
        "| sub-problem | all known | optimum | service | excess % | unresolved % | "
        + " | ".join(KINDS)
        + " |",
        "|---|" + "---|" * (5 + len(KINDS)),
    ]
    for one in found:
        open_ends = 100.0 * one.course.endings.get("unresolved", 0.0)
        lost = " | ".join(f"{one.lost.get(kind, 0.0):.2f}" for kind in KINDS)
        lines.append(
            f"| {one.name} | {one.known:.1f} | {one.optimum:.2f} | {one.service:.2f} | "
            f"{one.excess:.1f} | {open_ends:.0f} | {lost} |"
        )
    return "\n".join([*lines, *_ends(found)])


def confidence_table(found: Sequence[Ends]) -> str:
    """Expected minutes to the end by confidence."""
    lines = ["| sub-problem | optimum | service | excess % |", "|---|---|---|---|"]
    lines += [
        f"| {one.name} | {one.optimum:.2f} | {one.service:.2f} | {one.excess:.1f} |"
        for one in found
    ]
    return "\n".join([*lines, *_ends(found)])


def _ends(found: Sequence[Comparison | Ends]) -> list[str]:
    worst = max(found, key=lambda one: one.excess)
    return [
        "",
        f"excess: mean {fmean(one.excess for one in found):.1f} %, "
        f"worst {worst.excess:.1f} % ({worst.name})",
    ]


def main() -> None:
    """Print the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--drawn", type=int, default=24, help="sub-problems drawn by seed")
    parser.add_argument(
        "--choices", type=int, default=0, help="the dearest choices to show of each"
    )
    chosen = parser.parse_args()
    groups = {
        "picked by hand": by_hand(),
        "drawn by seed": [drawn(seed) for seed in range(chosen.drawn)],
    }
    for title, problems in groups.items():
        if not problems:
            continue
        found = [by_costs(problem) for problem in problems]
        print(f"\n## By costs, {title}\n\n{cost_table(found)}")
        for one in found:
            for minutes, kind, where in one.worst[: chosen.choices]:
                print(f"  {one.name}: {minutes:.2f} min, {kind}: {where}")
        sure = [by_confidence(problem) for problem in problems]
        print(f"\n## By confidence, {title}\n\n{confidence_table(sure)}")


if __name__ == "__main__":
    main()
