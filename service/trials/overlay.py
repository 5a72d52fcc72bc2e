"""Changes to an installed rule set: a JSON Merge Patch (RFC 7396) or a JSON Patch (RFC 6902).

A patch is about one document: the header and all sections by name. In it a list of things that have
an id is an object by id, and a list of measures one by quantity, so that a change names what it
changes (`/checks/main-fuse-resistance/minutes`) and not its place in a list.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass
from math import inf
from typing import Any

import jsonpatch
import jsonpointer

from service.documents import MAX_DEPTH
from service.problems import invalid_request, pointer, sentence
from service.ruleset.compose import Path_
from service.ruleset.near import hint, near
from service.ruleset.source import Document, Issue
from service.trials.sections import SECTIONS, file_of

_NAMED_BY = ("id", "quantity")
_LISTS = {section for sections in SECTIONS.values() for section in sections} - {"scales"}
# Objects whose keys are names that an author has given.
TABLES = _LISTS | {"scales", "nameplate", "instruments", "tools"}
_SOMEWHERE = (0, 0)
# Of a rule set with the copies of a JSON Patch made: as many as may be sent.
MOST_CHARACTERS = 8 * 1024 * 1024
_ONE = {"access": "place", "nameplate": "nameplate field", "remedies": "remedy"}
Places = Mapping[Path_, tuple[int, int]]  # line and column, as far as known


class Keyed(dict[str, Any]):
    """A list of things that have names, by name. `by`: the key that holds it."""

    by = "id"


@dataclass(frozen=True, slots=True)
class New:
    """A thing that the base has not: its name, what it is, and the names of those that it has."""

    name: str
    what: str
    others: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Overlaid(Document):
    """A document of which some nodes were changed by what was sent.

    sent: the name of that, and `changed` where in it each changed node stands. new: the things with
    a name that came in with it.
    """

    sent: str
    changed: Places
    new: Mapping[Path_, New]

    def issue(
        self, path: Path_, message: str, *, rule: str, advice: str, about: str | None = None
    ) -> Issue:
        """An `Issue` in what was sent, if that has changed the node; else in the base's file."""
        named = self.about(path) if about is None else about
        if rule == "shape":
            message, advice = self._mistyped(path, message, advice)
        if path in self.changed:
            return Issue(self.sent, *self.changed[path], message, rule, named, advice)
        return Issue(self.file, *self.place(path), message, rule, named, advice)

    def _mistyped(self, path: Path_, message: str, advice: str) -> tuple[str, str]:
        """What to say of a new thing that is not whole: its name may be one mistyped."""
        at = next((path[:n] for n in range(len(path) + 1) if path[:n] in self.new), None)
        if at is None:
            return message, advice
        one = self.new[at]
        if path != at and near(one.name, one.others) is None:
            return message, advice
        none = f"there is no {one.what} {one.name[:60]!r}, and for a new one: {message}"
        return none, f"{sentence(hint(one.what, one.name, one.others))} Or else: {advice}"


def overlay(
    base: Mapping[str, Document], changes: Any, where: Places, sent: str = "changes"
) -> dict[str, Document]:
    """The documents of a rule set with changes made.

    changes: an object is a merge patch, a list a JSON Patch. where: the places of their nodes in
    what was sent, which findings call by the name `sent`.

    Raises:
        Problem: invalid-request, if the changes are neither or cannot be made.
    """
    before = {section: keyed(body) for doc in base.values() for section, body in doc.data.items()}
    if isinstance(changes, dict):
        after = merge_patch(before, changes)
        touched = {path: where.get(path, _SOMEWHERE) for path in _nodes(changes, ())}
    elif isinstance(changes, list):
        after = json_patch(before, changes)
        touched = _set_by(changes, where)
    else:
        raise invalid_request([("/changes", "must be an object (RFC 7396) or a list (RFC 6902)")])
    sections: dict[str, dict[str, Any]] = {name: {} for name in base}
    for section, body in after.items():
        sections[file_of(section)][section] = body
    return {name: _listed(base[name], sections[name], touched, sent) for name in base}


def keyed(value: Any) -> Any:
    """A value with every list of things that have names as an object by name."""
    if isinstance(value, dict):
        return {key: keyed(inner) for key, inner in value.items()}
    if not isinstance(value, list):
        return value
    by = named_by(value)
    if by is None:
        return [keyed(item) for item in value]
    out = Keyed((item[by], keyed(item)) for item in value)
    out.by = by
    return out


def named_by(items: Sequence[Any]) -> str | None:
    """The key whose texts name the items of a list, each differently."""
    if not items or not all(isinstance(item, dict) for item in items):
        return None
    for by in _NAMED_BY:
        names = [item.get(by) for item in items]
        if all(isinstance(name, str) for name in names) and len(set(names)) == len(names):
            return by
    return None


def merge_patch(target: Any, patch: Any) -> Any:
    """The target with a merge patch applied (RFC 7396 section 2); neither is changed."""
    if not isinstance(patch, dict):
        return patch
    out = _copy(target) if isinstance(target, dict) else {}
    for key, value in patch.items():
        if value is None:
            out.pop(key, None)
        else:
            out[key] = merge_patch(out.get(key), value)
    return out


def _copy(target: dict[str, Any]) -> dict[str, Any]:
    out = type(target)(target)
    if isinstance(target, Keyed) and isinstance(out, Keyed):
        out.by = target.by
    return out


def json_patch(target: Any, operations: list[Any]) -> dict[str, Any]:
    """The target with the operations of a JSON Patch carried out; the target is not changed.

    Raises:
        Problem: invalid-request, pointing at the operation that cannot be carried out.
    """
    document = deepcopy(target)
    room = MOST_CHARACTERS - _length(document)
    for index, operation in enumerate(operations):
        try:
            room -= _copied(document, operation, room)
            document = jsonpatch.apply_patch(document, [operation], in_place=True)
        except (
            jsonpatch.JsonPatchException,
            jsonpointer.JsonPointerException,
            # What the library lets through of an operation that is of no shape at all.
            TypeError,
            AttributeError,
            KeyError,
            IndexError,
            ValueError,
            RecursionError,
        ) as error:
            # The library shows the whole object in which it has not found something.
            said = " ".join(re.split(r" in [{\[]", str(error), maxsplit=1)[0].split())[:200]
            message = f"this operation cannot be carried out: {said}{_meant(document, operation)}"
            raise invalid_request([(pointer("changes", index), message)]) from None
    if not isinstance(document, dict):
        raise invalid_request([("/changes", "what is left is no rule set but another value")])
    try:
        _length(document)
    except ValueError as error:
        raise invalid_request([("/changes", f"what is left cannot be read: {error}")]) from None
    return document


def _copied(document: Any, operation: Any, room: int) -> int:
    """How much longer an operation makes the document beyond what was sent: only a copy does.

    A chain of copies doubles what it copies each time, so it is measured before it is made.

    Raises:
        ValueError: if there is no room for it.
        JsonPointerException, and others of the library: if there is nothing to be copied.
    """
    if not isinstance(operation, dict) or operation.get("op") != "copy":
        return 0
    return _length(jsonpointer.resolve_pointer(document, operation["from"]), room)


def _length(value: Any, most: float = inf) -> int:
    """Of a value, about as many characters as its JSON has.

    Raises:
        ValueError: if that is more than `most`, or nested deeper than a body may be.
    """
    length = 0
    left = [(value, 0)]
    while left:
        one, depth = left.pop()
        if depth > MAX_DEPTH:
            raise ValueError(f"it is nested more than {MAX_DEPTH} levels deep")
        if isinstance(one, dict):
            length += 2 + sum(map(len, one)) + 4 * len(one)
            left += [(inner, depth + 1) for inner in one.values()]
        elif isinstance(one, list):
            length += 2 + len(one)
            left += [(inner, depth + 1) for inner in one]
        else:
            length += len(one) + 2 if isinstance(one, str) else 5
        if length > most:
            raise ValueError(
                f"with all copies there would be more than {MOST_CHARACTERS} characters"
            )
    return length


def _meant(document: Any, operation: Any) -> str:
    """The name that was probably meant by the first in an operation's path that nothing has."""
    path = operation.get("path") if isinstance(operation, dict) else None
    if not isinstance(path, str):
        return ""
    for name in (part.replace("~1", "/").replace("~0", "~") for part in path.split("/")[1:]):
        if not isinstance(document, dict):
            return ""
        if name not in document:
            found = near(name, document)
            return "" if found is None else f"; did you mean {found!r}?"
        document = document[name]
    return ""


def _nodes(value: Any, path: Path_) -> Iterator[Path_]:
    """The path of a value and those of all within it."""
    yield path
    if isinstance(value, dict | list):
        for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
            yield from _nodes(inner, (*path, key))


def _set_by(operations: list[Any], where: Places) -> dict[Path_, tuple[int, int]]:
    """The nodes that the operations of a JSON Patch set, each at its operation."""
    out: dict[Path_, tuple[int, int]] = {}
    for index, operation in enumerate(operations):
        at = tuple(jsonpointer.JsonPointer(operation["path"]).parts)
        for path in _nodes(operation.get("value"), at):
            out[path] = where.get((index,), _SOMEWHERE)
    return out


def _listed(base: Document, sections: dict[str, Any], touched: Places, sent: str) -> Document:
    """The sections of one file as they are written, with what was changed marked."""
    places: dict[Path_, tuple[int, int]] = {}
    changed: dict[Path_, tuple[int, int]] = {}
    new: dict[Path_, New] = {}
    index = dict(_paths_by_name(base.data, (), ()))
    # A JSON Pointer cannot tell the third item of a list from one that is called 3.
    set_ = {tuple(map(str, path)): place for path, place in touched.items()}

    def plain(value: Any, path: Path_, named: Path_) -> Any:
        if named in index and index[named] in base.places:
            places[path] = base.places[index[named]]
        if (place := set_.get(tuple(map(str, named)))) is not None:
            changed[path] = place
        if isinstance(value, Keyed) or (
            isinstance(value, dict) and len(path) == 1 and path[0] in TABLES
        ):
            listed = isinstance(value, Keyed) or path[0] in _LISTS
            others = tuple(name for name in value if (*named, name) in index)
            for number, name in enumerate(value):
                if named in index and (*named, name) not in index:
                    new[(*path, number if listed else name)] = New(
                        name, _one(value, path[-1]), others
                    )
            if listed:
                return [
                    plain(_with_name(value, name, item), (*path, number), (*named, name))
                    for number, (name, item) in enumerate(value.items())
                ]
        if isinstance(value, dict):
            return {key: plain(v, (*path, key), (*named, key)) for key, v in value.items()}
        if isinstance(value, list):
            return [plain(v, (*path, n), (*named, n)) for n, v in enumerate(value)]
        return value

    data = plain(sections, (), ())
    return Overlaid(base.file, data, places, sent, changed, new)


def _one(things: dict[str, Any], called: str | int) -> str:
    """What one of some things is called."""
    if isinstance(things, Keyed) and things.by == "quantity":
        return "measure"
    return _ONE.get(str(called), str(called).removesuffix("s"))


def _with_name(items: dict[str, Any], name: str, item: Any) -> Any:
    """An item that holds its name, as it must in a list."""
    by = items.by if isinstance(items, Keyed) else "id"
    return {by: name, **item} if isinstance(item, dict) else item


def _paths_by_name(value: Any, path: Path_, named: Path_) -> Iterator[tuple[Path_, Path_]]:
    """Each node of a document: its path in the keyed form, and the one that it has."""
    yield named, path
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _paths_by_name(inner, (*path, key), (*named, key))
    elif isinstance(value, list):
        by = named_by(value)
        for number, inner in enumerate(value):
            name = number if by is None else inner[by]
            yield from _paths_by_name(inner, (*path, number), (*named, name))
