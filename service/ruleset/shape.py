"""Whether a document has the shape that its JSON Schema asks for, and what would be right instead.

The schemas beside this module are the ones that editors use, too.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterator, Mapping
from functools import cache
from itertools import islice
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError
from jsonschema.validators import extend

from service.problems import sentence
from service.ruleset.compose import Path_
from service.ruleset.near import hint
from service.ruleset.source import Document, Issue

SCHEMAS = Path(__file__).parent / "schemas"
MOST_ISSUES = 200  # of one document; who wrote it has enough to do

_PATTERNS = {
    "^[a-z][a-z0-9]*(-[a-z0-9]+)*$": "an id in lower-case letters and digits, with single hyphens",
    "^[a-z][a-z0-9]*(_[a-z0-9]+)*$": "a name in lower-case letters and digits, with single _",
    "^(group:)?[a-z][a-z0-9]*(-[a-z0-9]+)*$": "an id, or group: and the name of a group",
    "^[WMPFE][0-9]{3}$": "the number of a sign of ISO 7010 such as W012",
}
_TYPES = {
    "string": "a text",
    "number": "a number",
    "integer": "a whole number",
    "boolean": "true or false",
    "array": "a list",
    "object": "a mapping",
    "null": "nothing",
}
_BOUNDS = {
    "minimum": "at least",
    "exclusiveMinimum": "more than",
    "maximum": "at most",
    "exclusiveMaximum": "less than",
}


def shape_issues(document: Document, schema: str) -> list[Issue]:
    """What the JSON Schema named `schema` finds wrong with a document, at most 200 things."""
    validator = _validator(schema)
    root = validator.schema
    leaves = (leaf for error in validator.iter_errors(document.data) for leaf in _leaves(error))
    told = (one for leaf in leaves for one in _told(leaf, root))
    return [
        document.issue(path, message, rule="shape", advice=advice)
        for path, message, advice in dict.fromkeys(islice(told, MOST_ISSUES))
    ]


def keys(schema: str) -> tuple[str, ...]:
    """The keys that the schema of that name knows at the top of a document."""
    return tuple(_validator(schema).schema["properties"])


@cache
def _validator(name: str) -> Draft202012Validator:
    schema = json.loads((SCHEMAS / f"{name}.json").read_text(encoding="utf-8"))
    validator: Draft202012Validator = _FAST(schema)
    return validator


def _unique(
    _: Any, wanted: bool, instance: Any, __: Mapping[str, Any]
) -> Iterator[ValidationError]:
    """`uniqueItems` in linear time: the library compares each item with each other one."""
    if not wanted or not isinstance(instance, list):
        return
    seen: set[str] = set()
    for index, item in enumerate(instance):
        text = json.dumps(item, sort_keys=True)
        if text in seen:
            yield ValidationError("stands here twice", path=[index])
        seen.add(text)


_FAST: Any = extend(Draft202012Validator, {"uniqueItems": _unique})


def _leaves(error: ValidationError) -> Iterator[ValidationError]:
    """The error itself, or those inside the alternative that was most probably meant."""
    if not error.context or not isinstance(error.validator_value, list):
        yield error
        return
    by_branch: dict[int, list[ValidationError]] = defaultdict(list)
    for inner in error.context:
        by_branch[int(inner.schema_path[0])].append(inner)
    best = max(by_branch, key=lambda at: _likeness(error.validator_value[at], error.instance))
    if _likeness(error.validator_value[best], error.instance) <= (0, 0):
        yield error
        return
    for inner in by_branch[best]:
        yield from _leaves(inner)


def _likeness(schema: Mapping[str, Any], instance: Any) -> tuple[int, int]:
    """How much an instance looks as if it was meant for a schema; (0, 0) and below: not at all."""
    kind = schema.get("type")
    if isinstance(instance, dict) and kind == "object":
        keys = instance.keys()
        shared = len(keys & schema.get("properties", {}).keys())
        return (shared, -len(schema.get("required", ()) - keys)) if shared else (0, 0)
    same = (isinstance(instance, list) and kind == "array") or (
        isinstance(instance, str) and kind == "string"
    )
    return (1, 0) if same else (0, 0)


def _told(error: ValidationError, root: Mapping[str, Any]) -> Iterator[tuple[Path_, str, str]]:
    """Path, message and advice of an error; one for each key where keys are wrong."""
    path = tuple(error.absolute_path)
    schema = error.schema if isinstance(error.schema, Mapping) else {}
    if error.validator == "additionalProperties" and isinstance(error.instance, dict):
        allowed = schema.get("properties", {})
        for key in error.instance:
            if key not in allowed:
                yield (
                    (*path, key),
                    f"the key {_cut(key)} is not allowed here",
                    sentence(hint("key", key, allowed)),
                )
        return
    if "propertyNames" in error.absolute_schema_path:
        advice = f"Each key here is {_wanted(schema, root)}."
        yield (*path, str(error.instance)), f"the key {_cut(error.instance)} is not allowed", advice
        return
    message, advice = _worded(error, schema, root)
    yield path, message, advice


def _worded(
    error: ValidationError, schema: Mapping[str, Any], root: Mapping[str, Any]
) -> tuple[str, str]:
    value, instance = error.validator_value, error.instance
    match error.validator:
        case "required":
            missing = [key for key in value if key not in instance]
            return f"{_listed(missing)} missing", f"Add {_listed(missing)}."
        case "dependentRequired":
            missing = [k for key, needs in value.items() if key in instance for k in needs]
            missing = [key for key in missing if key not in instance]
            return f"{_listed(missing)} missing", f"Add {_listed(missing)}."
        case "enum":
            return f"{_cut(instance)} is none of the words allowed here", sentence(
                hint("word", str(instance), map(str, value))
            )
        case "minItems" | "minProperties":
            return "is empty or too short", f"Give at least {value}."
        case "maxItems" | "maxProperties":
            return "holds too many", f"Give at most {value}."
        case "minLength" | "maxLength":
            word = "at least" if error.validator == "minLength" else "at most"
            return f"a text of {len(instance)} characters", f"Write {word} {value} characters."
        case "uniqueItems":
            return "is listed twice", "Drop one of the two."
        case "oneOf" | "anyOf":
            return f"{_cut(instance)} has no form that is allowed here", _forms(
                value, instance, root
            )
    return f"{_cut(instance)} cannot stand here", f"Give {_wanted(schema, root)}."


def _forms(alternatives: list[Mapping[str, Any]], instance: Any, root: Mapping[str, Any]) -> str:
    """What the alternatives of a `oneOf` or `anyOf` ask for."""
    first = [key for one in alternatives for key in one.get("required", ())[:1]]
    if isinstance(instance, dict) and len(first) == len(alternatives):
        return sentence(hint("key", next(iter(instance), ""), dict.fromkeys(first)))
    return f"Give {_or(dict.fromkeys(_wanted(one, root) for one in alternatives))}."


def _wanted(schema: Mapping[str, Any], root: Mapping[str, Any]) -> str:
    """In words, what a schema allows."""
    if "$ref" in schema:
        return _wanted(root["$defs"][schema["$ref"].rsplit("/", 1)[1]], root)
    for several in ("anyOf", "oneOf"):
        if several in schema and "type" not in schema:
            return _or(dict.fromkeys(_wanted(one, root) for one in schema[several]))
    if "enum" in schema:
        return f"one of {', '.join(map(str, schema['enum']))}"
    if "pattern" in schema:
        like = schema.get("description", f"a text like {schema['pattern']}")
        return str(_PATTERNS.get(schema["pattern"], like))
    said = _TYPES.get(schema.get("type", ""), "something else")
    if schema.get("type") == "object" and schema.get("required"):
        return f"{said} with {_listed(schema['required'])}"
    if schema.get("type") == "array" and isinstance(schema.get("items"), Mapping):
        return f"{said}, of which each is {_wanted(schema['items'], root)}"
    bounds = [f"{word} {schema[key]}" for key, word in _BOUNDS.items() if key in schema]
    return " ".join([said, " and ".join(bounds)]).strip()


def _or(words: Mapping[str, None]) -> str:
    return ", or ".join(words)


def _listed(keys: list[str]) -> str:
    return ", ".join(f"`{key}`" for key in keys)


def _cut(value: Any) -> str:
    """A value as it may stand in a message."""
    if isinstance(value, dict):
        return "a mapping with " + (_listed([str(key)[:40] for key in value][:4]) or "nothing")
    if isinstance(value, list):
        return "a list"
    text = json.dumps(value, ensure_ascii=False) if value is not None else "nothing"
    return text if len(text) <= 60 else text[:57] + "..."
