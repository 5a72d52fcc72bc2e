"""Where a document uses its named schemas, of which generators make classes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from tests.openapi.schemas import resolved

Document = dict[str, Any]
Names = dict[str, set[str]]
"""The names of the schemas at each place of a schema, down to the first reference."""


def names(schema: Any, document: Document) -> Names:
    """The names that a schema uses, by place. A place without any is there too."""
    found: Names = {}
    for where, name in _uses(schema, document, ""):
        found.setdefault(where, set()).update(filter(None, [name]))
    return found


def lost(before: Names, after: Names) -> Iterator[str]:
    """What a place was called, and is called now.

    A place that is gone, and one that has fewer names, are for the comparison of what is said.
    """
    for where, was in before.items():
        now = after.get(where, was)
        if was - now and (now - was or not now):
            yield f"{where and ' '}{where}: {_told(was - now)} → {_told(now - was)}"


def _told(some: set[str]) -> str:
    return ", ".join(sorted(some)) or "no name"


def _uses(schema: Any, document: Document, where: str) -> Iterator[tuple[str, str | None]]:
    yield where, None
    if not isinstance(schema, dict):
        return
    if "$ref" in schema:
        yield where, schema["$ref"].rpartition("/")[2]
        target = resolved(schema["$ref"], document)
        if not {"anyOf", "oneOf"} & target.keys():
            return
        schema = target  # a choice has no members of its own: its alternatives are the classes
    for choice in ("anyOf", "oneOf"):
        for one in schema.get(choice, ()):
            yield from _uses(one, document, where)
    for name, member in schema.get("properties", {}).items():
        yield from _uses(member, document, f"{where}/{name}")
    for rest in ("items", "additionalProperties"):
        if rest in schema:
            yield from _uses(schema[rest], document, f"{where}/*")
