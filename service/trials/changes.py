"""What a candidate adds to the text of the installed rule set, changes in it and takes away."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from service.problems import pointer
from service.ruleset.compose import Path_
from service.ruleset.near import near
from service.ruleset.source import Document
from service.trials.overlay import TABLES, Keyed, keyed

# One letter wrong in a name of six is nearer than that; few names that are meant so are.
_NEARLY = 0.85

Documents = Mapping[str, Document]


def changes(installed: Documents, candidate: Documents, patch: Any = None) -> dict[str, Any]:
    """What differs, by JSON Pointers as a patch would have them.

    `added`, with the name of its kind that it nearly has in `near` (or null); `changed`, as it was
    and is; `removed`; and what a merge patch takes away though it was not there, with a near name.
    """
    out: dict[str, Any] = {"added": [], "changed": [], "removed": [], "nothing_to_remove": []}
    for kind, path, more in _walk(_whole(installed), _whole(candidate), ()):
        out[kind].append({"pointer": pointer(*path), **more})
    if isinstance(patch, dict):
        out["nothing_to_remove"] = [
            {"pointer": pointer(*path), "near": like}
            for path, like in _nothing(_whole(installed), patch, ())
        ]
    return out


def _whole(documents: Documents) -> dict[str, Any]:
    return {
        section: keyed(body) for one in documents.values() for section, body in one.data.items()
    }


def _walk(before: Any, after: Any, path: Path_) -> Iterator[tuple[str, Path_, dict[str, Any]]]:
    if [] in (before, after) and {} not in (before, after):
        # Of things with names there are none before, or none any more.
        before, after = (
            {} if one == [] and isinstance(other, Keyed) else one
            for one, other in ((before, after), (after, before))
        )
    if not (isinstance(before, dict) and isinstance(after, dict)):
        if before != after or type(before) is not type(after):
            yield "changed", path, {"installed": before, "candidate": after}
        return
    named = isinstance(before, Keyed) or (len(path) == 1 and path[0] in TABLES)
    for name, value in after.items():
        if name in before:
            yield from _walk(before[name], value, (*path, name))
        else:
            like = near(name, before, _NEARLY) if named else None
            yield "added", (*path, name), {"near": like}
    yield from (("removed", (*path, name), {}) for name in before if name not in after)
    orders = [
        [name for name in one if name in other] for one, other in ((before, after), (after, before))
    ]
    if isinstance(before, Keyed) and orders[0] != orders[1]:
        yield "changed", path, {"installed": orders[0], "candidate": orders[1]}


def _nothing(before: Any, patch: dict[str, Any], path: Path_) -> Iterator[tuple[Path_, str | None]]:
    """What a merge patch takes away that is not there, and the name that was probably meant."""
    there = before if isinstance(before, dict) else {}
    for name, value in patch.items():
        if value is None and name not in there:
            yield (*path, name), near(name, there)
        elif isinstance(value, dict):
            yield from _nothing(there.get(name), value, (*path, name))
