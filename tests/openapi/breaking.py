"""What in a new OpenAPI 3.1 document breaks clients that were made for an old one.

A request that was right must stay right, and an answer must stay what it was said to be: a member
may be added, but none may be missing, and no value may come that the old document did not name.
A schema keeps its name, of which generators make that of a class, and an answer its links.
Descriptions and examples are not looked at.

`python -m tests.openapi.breaking OLD NEW` prints what it finds.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.openapi.names import lost, names
from tests.openapi.reading import read
from tests.openapi.schemas import Comparison, Loss, resolved

Document = dict[str, Any]
METHODS = ("get", "put", "post", "delete", "options", "head", "patch", "trace")


def breaking(old: Document, new: Document) -> list[str]:
    """All that breaks, a line each: the operation, the place, and what it was and is."""
    now, change = _operations(new), _Change(old, new)
    found: list[str] = []
    for name, before in _operations(old).items():
        if name in now:
            found += [f"{name} {line}" for line in change.of(before, now[name])]
        else:
            found.append(f"{name}: is gone")
    return found + list(_schemas(old, new))


def _schemas(old: Document, new: Document) -> Iterator[str]:
    after = new["components"]["schemas"]
    for name, schema in old["components"]["schemas"].items():
        if name not in after:
            yield f"schema {name}: is gone"
            continue
        for line in lost(names(schema, old), names(after[name], new)):
            yield f"schema {name}{line}"


def _operations(document: Document) -> dict[str, dict[str, Any]]:
    """Each operation by method and path, with the parameters and security that hold for it."""
    found = {}
    for path, item in document["paths"].items():
        for method in METHODS & item.keys():
            operation = item[method]
            shared, own = item.get("parameters", []), operation.get("parameters", [])
            parameters = [_plain(one, document) for one in (*shared, *own)]
            found[f"{method.upper()} {path}"] = {
                **operation,
                "parameters": {f"{one['in']} {one['name']}": one for one in parameters},
                "security": operation.get("security", document.get("security", [])) or [{}],
            }
    return found


def _plain(one: dict[str, Any], document: Document) -> dict[str, Any]:
    return resolved(one["$ref"], document) if "$ref" in one else one


class _Change:
    """An operation as it was and as it is, in the two documents."""

    def __init__(self, old: Document, new: Document) -> None:
        self.old, self.new = old, new
        self._sending, self._receiving = Comparison(old, new), Comparison(new, old)

    def of(self, before: dict[str, Any], after: dict[str, Any]) -> Iterator[str]:
        if before.get("operationId") != after.get("operationId"):
            yield f"operationId: {before.get('operationId')} → {after.get('operationId')}"
        yield from self._security(before["security"], after["security"])
        yield from self._parameters(before["parameters"], after["parameters"])
        yield from self._body(before.get("requestBody"), after.get("requestBody"))
        yield from self._responses(before["responses"], after["responses"])

    def _security(self, before: list[Any], after: list[Any]) -> Iterator[str]:
        # `{}` beside keys is for a service that has none: who has a key is not helped by it.
        keys = [other for other in after if other]
        for one in before:
            others = keys if one and keys else after
            if not any(_satisfied(one, other) for other in others):
                yield f"security: {one or 'no key'} is not enough any more"

    def _parameters(self, before: dict[str, Any], after: dict[str, Any]) -> Iterator[str]:
        for name in sorted({*before, *after}):
            was, now = before.get(name), after.get(name)
            if now is None:
                yield f"parameter {name}: is gone"
            elif now.get("required", False) and not (was or {}).get("required", False):
                yield f"parameter {name}: is required now"
            elif was is not None:
                yield from self._sent(was["schema"], now["schema"], f"parameter {name}")

    def _body(self, before: dict[str, Any] | None, after: dict[str, Any] | None) -> Iterator[str]:
        was, now = (_plain(one or {}, doc) for one, doc in ((before, self.old), (after, self.new)))
        if now.get("required", False) and not was.get("required", False):
            yield "request: a body is required now"
        for kind, content in was.get("content", {}).items():
            if kind in now.get("content", {}):
                schemas = content.get("schema", {}), now["content"][kind].get("schema", {})
                yield from self._sent(*schemas, f"request {kind}")
            else:
                yield f"request {kind}: is gone"

    def _responses(self, before: dict[str, Any], after: dict[str, Any]) -> Iterator[str]:
        for status in after.keys() - before.keys():
            if status.startswith("2"):
                yield f"answer {status}: is a success that nobody expects"
        for status, one in before.items():
            if status not in after:
                yield f"answer {status}: is gone"
                continue
            was, now = _plain(one, self.old), _plain(after[status], self.new)
            for part in ("content", "headers"):
                for name, described in was.get(part, {}).items():
                    place = f"answer {status} {name}"
                    if name not in now.get(part, {}):
                        yield f"{place}: is gone"
                        continue
                    other = now[part][name]
                    yield from self._got(
                        described.get("schema", {}), other.get("schema", {}), place
                    )
            for name, link in was.get("links", {}).items():
                place, other = f"answer {status} link {name}", now.get("links", {}).get(name)
                yield from self._link(_plain(link, self.old), other, place)

    def _link(self, was: Any, now: Any, place: str) -> Iterator[str]:
        if now is None:
            yield f"{place}: is gone"
            return
        after = _parts(_plain(now, self.new))
        for part, value in _parts(was).items():
            if after.get(part) != value:
                yield f"{place}: {part} {value} → {after.get(part)}"

    def _sent(self, was: Any, now: Any, place: str) -> Iterator[str]:
        for loss in self._sending.losses(was, now):
            yield _told(place, loss, loss.taken, loss.left)
        yield from self._named(was, now, place)

    def _got(self, was: Any, now: Any, place: str) -> Iterator[str]:
        for loss in self._receiving.losses(now, was):
            yield _told(place, loss, loss.left, loss.taken)
        yield from self._named(was, now, place)

    def _named(self, was: Any, now: Any, place: str) -> Iterator[str]:
        for line in lost(names(was, self.old), names(now, self.new)):
            yield f"{place}{line}"


def _parts(link: dict[str, Any]) -> dict[str, Any]:
    """What a link says: what it leads to, and each parameter that it has for that."""
    said = {name: link[name] for name in link.keys() - {"description", "parameters"}}
    given = {f"parameter {name}": value for name, value in link.get("parameters", {}).items()}
    return {**said, **given}


def _told(place: str, loss: Loss, was: Any, now: Any) -> str:
    return f"{place}{loss.where and ' '}{loss.where}: {loss.keyword} {was} → {now}"


def _satisfied(held: dict[str, list[str]], wanted: dict[str, list[str]]) -> bool:
    """Whether who can meet the one requirement meets the other."""
    return all(name in held and set(wanted[name]) <= set(held[name]) for name in wanted)


if __name__ == "__main__":
    lines = breaking(*(read(Path(name)) for name in sys.argv[1:3]))
    print(*lines, sep="\n", end="\n" if lines else "")
    sys.exit(bool(lines))
