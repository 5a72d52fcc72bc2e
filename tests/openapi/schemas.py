"""What one JSON Schema takes and another does not, for the keywords that the document uses."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from jsonschema import Draft202012Validator

Schema = dict[str, Any]

ANNOTATIONS = {"title", "description", "default", "example", "examples", "deprecated"}
LEAST = ("minimum", "exclusiveMinimum", "minLength", "minItems", "minProperties")
MOST = ("maximum", "exclusiveMaximum", "maxLength", "maxItems", "maxProperties")
EQUAL = ("pattern", "format", "multipleOf", "uniqueItems")
OTHERS = ("type", "enum", "const", "anyOf", "oneOf", "$ref")
NESTED = ("properties", "required", "additionalProperties", "items")
KNOWN = {*ANNOTATIONS, *LEAST, *MOST, *EQUAL, *OTHERS, *NESTED}
# A keyword says nothing of values of other types.
OF_TYPE = {
    "string": {"minLength", "maxLength", "pattern", "format"},
    "number": {"minimum", "maximum", "exclusiveMinimum", "exclusiveMaximum", "multipleOf"},
    "array": {"items", "minItems", "maxItems", "uniqueItems"},
    "object": {
        "properties",
        "required",
        "additionalProperties",
        "minProperties",
        "maxProperties",
    },
}
OF_TYPE["integer"] = OF_TYPE["number"]
ALL_OF_TYPE = {"null": [None], "boolean": [False, True]}
TYPES = ("null", "boolean", "integer", "number", "string", "array", "object")


@dataclass(frozen=True, slots=True)
class Loss:
    """What a schema takes and another does not: where, by which keyword, and both sides of it."""

    where: str
    keyword: str
    taken: Any
    left: Any


@dataclass
class Comparison:
    """What schemas of one document take that those of another do not."""

    taking: dict[str, Any]
    leaving: dict[str, Any]
    _known: dict[tuple[str, str], list[Loss]] = field(default_factory=dict)

    def losses(self, taken: Schema | bool, left: Schema | bool, where: str = "") -> list[Loss]:
        """Why a value that `taken` takes may not be one that `left` takes. Empty: never so.

        Raises ValueError for a keyword that is not known here, rather than pass over it.
        """
        pair = (json.dumps(taken, sort_keys=True), json.dumps(left, sort_keys=True))
        if pair not in self._known:
            # A schema within itself is being looked at already: what it loses is told there.
            self._known[pair] = []
            into = list(_alternatives(left, self.leaving))
            self._known[pair] = [
                loss
                for one in _alternatives(taken, self.taking)
                for loss in self._of_alternative(one, into)
            ]
        return [replace(loss, where=where + loss.where) for loss in self._known[pair]]

    def _of_alternative(self, one: Schema, into: list[Schema]) -> list[Loss]:
        tried = [self._of_single(one, other) for other in into]
        if any(not losses for losses in tried):
            return []
        if len(tried) == 1:
            return tried[0]
        near = [
            losses
            for other, losses in zip(into, tried, strict=True)
            if other.get("type") == one.get("type")
        ]
        if len(near) == 1:
            return near[0]
        return [Loss("", "anyOf", _short(one), [_short(other) for other in into])]

    def _of_single(self, one: Schema, other: Schema) -> list[Loss]:
        if not _within(one.get("type"), other.get("type")):
            return [Loss("", "type", one.get("type"), other.get("type"))]
        if "enum" in one:
            judge = Draft202012Validator(other)
            beyond = [value for value in one["enum"] if not judge.is_valid(value)]
            return [Loss("", "enum", beyond, [])] if beyond else []
        if "enum" in other:
            return [Loss("", "enum", None, other["enum"])]
        found = [
            Loss("", name, one.get(name), other[name])
            for name in (*LEAST, *MOST, *EQUAL)
            if name in other and not _as_narrow(name, one.get(name), other[name])
        ]
        if "items" in other:
            found += self.losses(one.get("items", {}), other["items"], "/*")
        return found + self._of_members(one, other)

    def _of_members(self, one: Schema, other: Schema) -> list[Loss]:
        needed = set(other.get("required", ())) - set(one.get("required", ()))
        found = [Loss(f"/{name}", "required", False, True) for name in sorted(needed)]
        members, others = one.get("properties", {}), other.get("properties", {})
        rest, elsewhere = one.get("additionalProperties", {}), other.get("additionalProperties", {})
        for name in sorted({*members, *others}):
            taken, left = members.get(name, rest), others.get(name, elsewhere)
            found += self._of_member(taken, left, f"/{name}")
        return found + self._of_member(rest, elsewhere, "/*")

    def _of_member(self, taken: Schema | bool, left: Schema | bool, where: str) -> list[Loss]:
        if taken is False:
            return []
        if left is False:
            return [Loss(where, "additionalProperties", True, False)]
        return self.losses(taken, left, where)


def _alternatives(schema: Schema | bool, document: dict[str, Any]) -> Iterator[Schema]:
    """Schemas of one type each, or of any, of which a value has to fit one."""
    if schema is True:
        schema = {}
    if schema is False:
        return
    if unknown := schema.keys() - KNOWN:
        raise ValueError(f"keywords that this comparison does not know: {sorted(unknown)}")
    plain = {name: value for name, value in schema.items() if name not in ANNOTATIONS}
    if "const" in plain:
        plain["enum"] = [plain.pop("const")]
    for name in ("$ref", "anyOf", "oneOf"):
        if name in plain:
            inner = plain.pop(name)
            for one in [resolved(inner, document)] if name == "$ref" else inner:
                yield from _alternatives(_both(plain, one), document)
            return
    if not plain:
        yield plain  # anything at all
        return
    types = plain.pop("type", TYPES)
    if "enum" in plain:
        types = [one for one in TYPES if any(_is(value, one) for value in plain["enum"])]
    for one in [types] if isinstance(types, str) else types:
        said = {name: plain[name] for name in plain.keys() & OF_TYPE.get(one, set())}
        if one in ALL_OF_TYPE:  # listed or not, these are all that there can be
            said["enum"] = ALL_OF_TYPE[one]
        if "enum" in plain:
            said["enum"] = [value for value in plain["enum"] if _is(value, one)]
        yield {"type": one, **said}


def resolved(reference: str, document: dict[str, Any]) -> Any:
    """What a reference within a document refers to."""
    found: Any = document
    for step in reference.removeprefix("#/").split("/"):
        found = found[step.replace("~1", "/").replace("~0", "~")]
    return found


def _both(outer: Schema, inner: Schema | bool) -> Schema | bool:
    """A schema and what stands beside it, which may say nothing of the same."""
    if not outer or isinstance(inner, bool):
        return inner
    if twice := outer.keys() & inner.keys():
        raise ValueError(f"said beside a choice and within it: {sorted(twice)}")
    return {**outer, **inner}


def _within(one: str | None, other: str | None) -> bool:
    return other is None or one == other or (one, other) == ("integer", "number")


def _as_narrow(name: str, one: Any, other: Any) -> bool:
    if name in LEAST:
        counted = name not in ("minimum", "exclusiveMinimum")  # at least 0 without being said
        return _ordered(other, 0 if counted and one is None else one)
    return _ordered(one, other) if name in MOST else bool(one == other)


def _ordered(low: Any, high: Any) -> bool:
    return low is not None and high is not None and low <= high


def _is(value: Any, kind: str) -> bool:
    if isinstance(value, int) and not isinstance(value, bool):
        return kind == "integer"
    return bool(Draft202012Validator({"type": kind}).is_valid(value))


def _short(schema: Schema) -> str:
    text = json.dumps(schema)
    return text if len(text) <= 80 else f"{text[:77]}..."
