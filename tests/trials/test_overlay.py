"""Changes to a rule set: RFC 7396, RFC 6902, and lists that are objects by name."""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Callable
from typing import Any

import jsonpatch
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.problems import Problem
from service.ruleset.catalogue import Catalogue
from service.ruleset.source import Document
from service.trials.overlay import MOST_CHARACTERS, Keyed, keyed, merge_patch, overlay
from service.trials.submission import Part, Submission, understood

# RFC 7396 appendix A: original, patch, result.
APPENDIX = [
    ({"a": "b"}, {"a": "c"}, {"a": "c"}),
    ({"a": "b"}, {"b": "c"}, {"a": "b", "b": "c"}),
    ({"a": "b"}, {"a": None}, {}),
    ({"a": "b", "b": "c"}, {"a": None}, {"b": "c"}),
    ({"a": ["b"]}, {"a": "c"}, {"a": "c"}),
    ({"a": "c"}, {"a": ["b"]}, {"a": ["b"]}),
    ({"a": {"b": "c"}}, {"a": {"b": "d", "c": None}}, {"a": {"b": "d"}}),
    ({"a": [{"b": "c"}]}, {"a": [1]}, {"a": [1]}),
    (["a", "b"], ["c", "d"], ["c", "d"]),
    ({"a": "b"}, ["c"], ["c"]),
    ({"a": "foo"}, None, None),
    ({"a": "foo"}, "bar", "bar"),
    ({"e": None}, {"a": 1}, {"e": None, "a": 1}),
    ([1, 2], {"a": "b", "c": None}, {"a": "b"}),
    ({}, {"a": {"bb": {"ccc": None}}}, {"a": {"bb": {}}}),
]


@pytest.mark.parametrize(("original", "patch", "result"), APPENDIX)
def test_merge_patch_is_that_of_the_rfc(original: Any, patch: Any, result: Any) -> None:
    before = repr(original)
    assert merge_patch(original, patch) == result
    assert repr(original) == before


@pytest.fixture(scope="module")
def base(catalogue: Catalogue) -> dict[str, Document]:
    return dict(catalogue.source("tumble-dryer").documents)


def data(documents: dict[str, Document]) -> dict[str, Any]:
    return {name: one.data for name, one in documents.items()}


@pytest.mark.parametrize("nothing", [{}, []])
@pytest.mark.parametrize("name", ["tumble-dryer", "microwave-oven"])
def test_no_change_leaves_everything_as_it_is(
    catalogue: Catalogue, name: str, nothing: Any
) -> None:
    documents = dict(catalogue.source(name).documents)
    out = overlay(documents, nothing, {})
    assert data(out) == data(documents)
    for file, one in documents.items():
        for path, place in one.places.items():
            assert out[file].place(path) == place


def test_a_limit_is_changed_by_names(base: dict[str, Document]) -> None:
    shorted = {"outcomes": {"shorted": {"below": {"value": 2}}}}
    out = overlay(base, {"scales": {"to-chassis": {"resistance": shorted}}}, {})
    was = base["checks"].data["scales"]["to-chassis"][0]["outcomes"][0]
    now = out["checks"].data["scales"]["to-chassis"][0]["outcomes"][0]
    assert now == {**was, "below": {**was["below"], "value": 2}}
    rest = {name: one.data for name, one in out.items() if name != "checks"}
    assert rest == {name: one.data for name, one in base.items() if name != "checks"}


def test_the_same_change_by_operations(base: dict[str, Document]) -> None:
    path = "/scales/to-chassis/resistance/outcomes/shorted/below/value"
    by_operation = overlay(base, [{"op": "replace", "path": path, "value": 2}], {})
    shorted = {"outcomes": {"shorted": {"below": {"value": 2}}}}
    by_patch = overlay(base, {"scales": {"to-chassis": {"resistance": shorted}}}, {})
    assert data(by_operation) == data(by_patch)


def test_a_thing_is_added_at_the_end_under_its_name(base: dict[str, Document]) -> None:
    new = {"title": "Hums", "source": "estimate"}
    out = overlay(base, {"symptoms": {"hums": new}}, {})
    assert out["symptoms"].data["symptoms"][-1] == {"id": "hums", **new}
    assert len(out["symptoms"].data["symptoms"]) == len(base["symptoms"].data["symptoms"]) + 1


def test_a_thing_is_taken_away_and_the_rest_keeps_its_place(base: dict[str, Document]) -> None:
    first, second = (rule["id"] for rule in base["rules"].data["rules"][:2])
    out = overlay(base, {"rules": {first: None}}, {})
    assert out["rules"].data["rules"] == base["rules"].data["rules"][1:]
    assert out["rules"].data["rules"][0]["id"] == second
    assert out["rules"].place(("rules", 0)) == base["rules"].place(("rules", 1))


def test_a_changed_node_is_found_where_it_was_sent(base: dict[str, Document]) -> None:
    name = base["checks"].data["checks"][0]["id"]
    where = {("checks", name, "minutes"): (7, 9), ("checks", name): (6, 3)}
    out = overlay(base, {"checks": {name: {"minutes": 2}}}, where)["checks"]
    advice: dict[str, Any] = {"rule": "shape", "advice": "x"}
    changed = out.issue(("checks", 0, "minutes"), "m", **advice)
    assert (changed.file, changed.line, changed.column) == ("changes", 7, 9)
    item = out.issue(("checks", 0), "m", **advice)
    assert (item.file, item.line) == ("changes", 6)
    other = out.issue(("checks", 0, "title"), "m", **advice)
    assert other.file == base["checks"].file
    assert (other.line, other.column) == base["checks"].place(("checks", 0, "title"))


@pytest.mark.parametrize(
    ("operation", "says"),
    [
        ({"op": "replace", "path": "/checks/nothing/minutes", "value": 1}, "nothing"),
        ({"op": "test", "path": "/id", "value": "other"}, ""),
        ({"op": "remove", "path": "/nowhere"}, "nowhere"),
        ({"op": "fly", "path": "/id"}, ""),
        ({"path": "/id"}, ""),
        ({"op": "add", "path": "id", "value": 1}, ""),
        ({"op": "add", "path": 3, "value": 1}, ""),
        ({"op": "add", "path": "/rules/0/x/y", "value": 1}, ""),
        ({"op": "move", "from": "/checks", "path": "/checks/display/x"}, ""),
        ({"op": "copy", "path": "/id"}, ""),
        (3, ""),
        (None, ""),
        ([], ""),
        ("x", ""),
    ],
)
def test_an_operation_that_cannot_be_carried_out_is_pointed_at(
    base: dict[str, Document], operation: Any, says: str
) -> None:
    fine = {"op": "test", "path": "/id", "value": "tumble-dryer"}
    with pytest.raises(Problem) as caught:
        overlay(base, [fine, operation], {})
    ((at, message),) = caught.value.errors
    assert at == "/changes/1"
    assert says in message
    assert len(message) < 300


@pytest.mark.parametrize("changes", [None, 3, "x", True])
def test_changes_are_an_object_or_a_list(base: dict[str, Document], changes: Any) -> None:
    with pytest.raises(Problem) as caught:
        overlay(base, changes, {})
    assert caught.value.errors[0][0] == "/changes"


def test_the_whole_may_not_be_replaced_by_something_else(base: dict[str, Document]) -> None:
    with pytest.raises(Problem):
        overlay(base, [{"op": "replace", "path": "", "value": [1]}], {})


def test_the_base_is_never_changed(base: dict[str, Document]) -> None:
    before = repr(data(base))
    overlay(base, {"rules": None, "checks": {"display": {"x": {}}}, "id": "y"}, {})
    overlay(base, [{"op": "remove", "path": "/rules"}, {"op": "add", "path": "/x", "value": 1}], {})
    assert repr(data(base)) == before


names = st.text("ab~/0", max_size=3)
values = st.recursive(
    st.none() | st.booleans() | st.integers() | names,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(names, inner, max_size=3)
        | st.lists(
            st.builds(lambda n, v: {"id": n, "v": v}, names, inner),
            max_size=3,
            unique_by=lambda one: one["id"],
        )
    ),
    max_leaves=12,
)


def unkeyed(value: Any) -> Any:
    if isinstance(value, Keyed):
        return [unkeyed(one) for one in value.values()]
    if isinstance(value, dict):
        return {key: unkeyed(one) for key, one in value.items()}
    return [unkeyed(one) for one in value] if isinstance(value, list) else value


@given(values)
def test_a_list_by_names_is_the_same_list(value: Any) -> None:
    assert unkeyed(keyed(value)) == value


def test_every_list_of_things_is_reached_by_name(base: dict[str, Document]) -> None:
    rng = random.Random(1)
    for name, document in base.items():
        for section, body in document.data.items():
            if not (isinstance(body, list) and body and isinstance(body[0], dict)):
                continue
            number = rng.randrange(len(body))
            out = overlay(base, {section: {body[number]["id"]: {"extra": 1}}}, {})
            assert out[name].data[section][number] == {**body[number], "extra": 1}


# Operations that double something each time, and what they begin with.
CHAINS: dict[str, tuple[Any, Callable[[int], dict[str, Any]]]] = {
    "a section into itself": (
        {"op": "test", "path": "/id", "value": "tumble-dryer"},
        lambda n: {"op": "copy", "from": "/checks", "path": f"/checks/x{n}"},
    ),
    "the whole into itself": (
        {"op": "test", "path": "/id", "value": "tumble-dryer"},
        lambda n: {"op": "copy", "from": "", "path": f"/x{n}"},
    ),
    "a list at its end": (
        {"op": "add", "path": "/x", "value": [["long text " * 20] * 10]},
        lambda n: {"op": "copy", "from": "/x", "path": "/x/-"},
    ),
    "long texts": (
        {"op": "add", "path": "/x", "value": {"a": "long text " * 10_000}},
        lambda n: {"op": "copy", "from": "/x", "path": f"/x/b{n}"},
    ),
    "long names": (
        {"op": "add", "path": "/x", "value": {"name " * 30: {}}},
        lambda n: {"op": "copy", "from": "/x", "path": f"/x/b{n}"},
    ),
    "nothing but objects": (
        {"op": "add", "path": "/x", "value": {}},
        lambda n: {"op": "copy", "from": "/x", "path": f"/x/{n}"},
    ),
    "one above the other": (
        {"op": "add", "path": "/parts/a", "value": {}},
        lambda n: {"op": "copy", "from": "/parts", "path": "/parts" + "/a" * 2**n},
    ),
}


@pytest.mark.parametrize("chain", CHAINS)
def test_what_copies_make_is_measured_before_they_are_made(
    base: dict[str, Document], chain: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, copying = CHAINS[chain]
    made = 0
    really = copy.deepcopy

    def watched(value: Any, memo: Any = None) -> Any:
        nonlocal made
        if memo is None:
            made += len(json.dumps(value))
        return really(value, memo)

    monkeypatch.setattr(jsonpatch.copy, "deepcopy", watched)
    changes = [first, *map(copying, range(22))]
    with pytest.raises(Problem) as refused:
        overlay(base, changes, {})
    (at, message) = refused.value.errors[0]
    assert at.startswith("/changes")
    assert "more than 8388608 characters" in message or "nested more than 32" in message
    # The document itself is copied once; the rest is by the patch.
    assert made < 2 * MOST_CHARACTERS


def test_what_copies_make_is_bounded_over_several_files(catalogue: Catalogue) -> None:
    _, copying = CHAINS["a list at its end"]
    first = {"op": "add", "path": "/x", "value": ["long text " * 10_000]}
    changes = [[first, *map(copying, range(6))], *[list(map(copying, range(2)))] * 40]
    parts = tuple(
        Part(f"{n}.json", json.dumps({"base": "tumble-dryer", "changes": one}).encode(), "json")
        for n, one in enumerate(changes)
    )
    with pytest.raises(Problem, match="more than 8388608 characters"):
        understood(Submission(parts), catalogue)


def test_a_patch_may_copy_what_a_person_copies(base: dict[str, Document]) -> None:
    name = next(iter(base["checks"].data["checks"]))["id"]
    copies = [{"op": "copy", "from": f"/checks/{name}", "path": f"/checks/x{n}"} for n in range(99)]
    out = overlay(base, copies, {})
    assert len(out["checks"].data["checks"]) == len(base["checks"].data["checks"]) + 99
