"""Every number says where it comes from."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from service.ruleset.compose import Path_
from service.ruleset.source import Document, Issue

# What stands where a source is still to be looked up.
_PLACEHOLDER = re.compile(r"(todo|tbd|fixme|xxx|none|unknown|n/a|[?.\-_\s]*)", re.IGNORECASE)
_ADVICE = "Name document and clause, or say common practice, from memory or estimate."


def unsourced(document: Document) -> Iterator[Issue]:
    """The numbers that stand below no `source`, and the sources that name nothing.

    A least reading of 0 needs none: no resistance, capacitance or voltage of a check is negative.
    """
    waiting: list[tuple[Path_, Any, bool]] = [((), document.data, False)]
    while waiting:
        path, node, sourced = waiting.pop()
        if isinstance(node, dict):
            source = node.get("source", node.get("minutes_source") if not path else None)
            if isinstance(source, str) and _PLACEHOLDER.fullmatch(source):
                message = f"{source!r} is no source"
                yield document.issue((*path, "source"), message, rule="no-source", advice=_ADVICE)
            below = sourced or isinstance(node.get("source"), str)
            waiting += [((*path, key), value, below) for key, value in node.items()]
        elif isinstance(node, list):
            waiting += [((*path, at), value, sourced) for at, value in enumerate(node)]
        elif not sourced and type(node) in (int, float):
            if path[-2:] == ("least", "value") and node == 0:
                continue
            message = f"the number {node} has no source"
            yield document.issue(path, message, rule="no-source", advice=_ADVICE)
