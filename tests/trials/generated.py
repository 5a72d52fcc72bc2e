"""Rule sets drawn at random: valid ones, ones with a mistake or a few, and hostile ones."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from copy import deepcopy
from typing import Any

from hypothesis import strategies as st

Path_ = tuple[str | int, ...]
Whole = dict[str, Any]  # all sections of a rule set as one document

HUGE = 10**400
HOSTILE: list[Any] = [
    None,
    True,
    "",
    " ",
    "a",
    "no-such-id",
    "group:none",
    "x" * 5_000,
    "finding/x/y",
    "{wait}",
    "{0.__class__}",
    "\u202e\u0000",
    "<script>",
    "../../etc/passwd",
    0,
    -1,
    1,
    1e-300,
    1e308,
    2**63,
    HUGE,
    0.5,
    [],
    [[]],
    {},
    {"id": "x"},
    {"all": []},
    {"any": []},
    {"not": {"not": {"all": []}}},
    {"value": 1, "unit": "furlong"},
    [None] * 300,
]
KINDS = ["finding", "possible", "answered", "symptom", "confirmed", "phase"]
NASTY = [
    *(b"&a ", b"*a", b"!!python/object:os.system ", b"<<: ", b"---\n", b"%YAML 1.1\n", b"? "),
    *(b"[" * 500, b"{" * 500, b"- " * 500, b"\x00", b"\xff", b"\xef\xbb\xbf", b"|\n", b"\t", b"\r"),
    *(b"'", b'"', b"1e999", b".nan", b"0x10", b"2001-01-01", b"1_000", b"9" * 5000),
]


def paths(node: Any, at: Path_ = ()) -> Iterator[Path_]:
    """Every place in a document but the whole of it."""
    inner: Any = ()
    if isinstance(node, dict):
        inner = node.items()
    elif isinstance(node, list):
        inner = enumerate(node)
    for key, value in inner:
        yield (*at, key)
        yield from paths(value, (*at, key))


def found(node: Any, path: Path_) -> Any:
    for key in path:
        node = node[key]
    return node


def put(node: Any, path: Path_, value: Any) -> None:
    found(node, path[:-1])[path[-1]] = value


def _edit(draw: Callable[..., Any], whole: Whole, everywhere: list[Path_]) -> None:
    """One change somewhere; none if the place is gone by an earlier one."""
    path = draw(st.sampled_from(everywhere))
    try:
        parent, key = found(whole, path[:-1]), path[-1]
        value = parent[key]
    except (KeyError, IndexError, TypeError):
        return
    match draw(st.sampled_from(["drop", "hostile", "elsewhere", "again", "scale", "rename"])):
        case "drop":
            del parent[key]
        case "hostile":
            parent[key] = draw(st.sampled_from(HOSTILE))
        case "elsewhere":
            other = draw(st.sampled_from(everywhere))
            try:
                parent[key] = deepcopy(found(whole, other))
            except (KeyError, IndexError, TypeError):
                return
        case "again" if isinstance(parent, list):
            parent.insert(0, deepcopy(value))
        case "scale" if isinstance(value, int | float) and not isinstance(value, bool):
            parent[key] = value * draw(st.sampled_from([-1, 0, 0.5, 1.01, 1e6, 1e300]))
        case "rename" if isinstance(parent, dict) and isinstance(key, str):
            parent[draw(st.sampled_from([key + "s", key.upper(), "x"]))] = parent.pop(key)


@st.composite
def nearly_valid(draw: Callable[..., Any], whole: Whole) -> Whole:
    """The rule set with one to four changes at random places."""
    out = deepcopy(whole)
    everywhere = list(paths(whole))
    for _ in range(draw(st.integers(1, 4))):
        _edit(draw, out, everywhere)
    return out


def _row(draw: Callable[..., Any], outcomes: list[str]) -> dict[str, float]:
    """Probabilities of some outcomes, all above 0, as an author would write them."""
    shares = [draw(st.integers(1, 50)) for _ in outcomes]
    total = sum(shares)
    parts = {one: round(share / total, 6) for one, share in zip(outcomes, shares, strict=True)}
    largest = max(parts, key=lambda name: parts[name])
    parts[largest] = round(1 - sum(value for name, value in parts.items() if name != largest), 9)
    return parts


def _token(draw: Callable[..., Any], whole: Whole) -> dict[str, Any]:
    """One plain condition over things that the rule set has."""
    kind = draw(st.sampled_from(KINDS))
    check = draw(st.sampled_from(whole["checks"]))
    outcome = draw(st.sampled_from(sorted(check["default"]["p"])))
    confirmable = [one["id"] for one in whole["precautions"] if one.get("confirm")]
    match kind:
        case "finding":
            return {"finding": check["id"], "outcome": outcome}
        case "possible":
            return {"finding": check["id"], "possible": [outcome]}
        case "answered":
            return {"finding": check["id"]}
        case "symptom":
            return {"symptom": draw(st.sampled_from(whole["symptoms"]))["id"]}
        case "confirmed":
            return {"confirmed": draw(st.sampled_from(confirmable))}
    return {"phase": draw(st.sampled_from(["diagnose", "verify-repair"]))}


def _condition(draw: Callable[..., Any], whole: Whole, depth: int = 0) -> dict[str, Any]:
    form = draw(st.sampled_from(["plain", "plain", "all", "any", "not"])) if depth < 2 else "plain"
    match form:
        case "all" | "any":
            count = draw(st.integers(1, 3))
            return {form: [_condition(draw, whole, depth + 1) for _ in range(count)]}
        case "not":
            return {"all": [_token(draw, whole), {"not": _token(draw, whole)}]}
    return _token(draw, whole)


def _consequence(draw: Callable[..., Any], whole: Whole, number: int) -> dict[str, Any]:
    check = draw(st.sampled_from(whole["checks"]))["id"]
    faults = [one["id"] for one in whole["faults"]]
    match draw(st.sampled_from(["derive", "prefer", "require", "weigh", "stop", "admit"])):
        case "derive":
            return {"derive": f"state-{number}"}
        case "prefer":
            return {"prefer": check}
        case "require":
            return {"require": draw(st.sampled_from(whole["precautions"]))["id"]}
        case "weigh":
            ratio = draw(st.floats(0.05, 20))
            return {"weigh": draw(st.sampled_from(faults)), "ratio": ratio, "source": "estimate"}
        case "stop":
            return {"stop": "Drawn at random."}
    return {"admit": check}


@st.composite
def valid(draw: Callable[..., Any], whole: Whole) -> Whole:
    """The rule set with other probabilities, minutes and rates, and with rules of its own."""
    out = deepcopy(whole)
    for check in out["checks"]:
        outcomes = sorted(check["default"]["p"])
        if draw(st.booleans()):
            check["minutes"] = draw(st.sampled_from([0.2, 1, 7.5, 60]))
        for row in check["rows"]:
            if draw(st.booleans()):
                row["p"] = _row(draw, outcomes)
    for fault in out["faults"]:
        fault["rate"] = draw(st.sampled_from([0.01, 1, 4, 1000]))
    for number in range(draw(st.integers(0, 6))):
        out["rules"].append(
            {
                "id": f"drawn-{number}",
                "when": _condition(draw, out),
                "then": [_consequence(draw, out, number)],
                "because": "Drawn at random.",
                "source": "estimate",
            }
        )
    return out


def hostile_text(text: bytes) -> st.SearchStrategy[bytes]:
    """Bytes that are no rule set, or the text of one with a piece gone, doubled or replaced."""
    nasty = st.sampled_from(NASTY)
    place = st.integers(0, len(text))

    def cut(at: int, length: int, between: bytes) -> bytes:
        return text[:at] + between + text[at + length :]

    return st.one_of(
        st.binary(max_size=200),
        st.text(max_size=200).map(lambda one: one.encode("utf-8", "replace")),
        st.builds(cut, place, st.integers(0, 400), st.one_of(nasty, st.binary(max_size=8))),
        st.builds(lambda one, count: one * count, nasty, st.integers(1, 200)),
    )


def _names(whole: Whole) -> list[str]:
    out = {key for path in paths(whole) for key in path if isinstance(key, str)}
    lists = [body for body in whole.values() if isinstance(body, list)]
    out |= {one["id"] for body in lists for one in body if isinstance(one, dict)}
    return sorted(out)


def merge_patches(whole: Whole) -> st.SearchStrategy[Any]:
    """Objects over names that the rule set has, with values that may be anything."""
    leaf = st.one_of(st.sampled_from(HOSTILE), st.floats(allow_nan=False, allow_infinity=False))
    names = st.sampled_from(_names(whole))
    values = st.recursive(
        leaf,
        lambda inner: st.one_of(
            st.dictionaries(names, inner, max_size=4), st.lists(inner, max_size=3)
        ),
        max_leaves=12,
    )
    sections = st.sampled_from(sorted(whole))
    return st.dictionaries(sections, st.one_of(st.dictionaries(names, values, max_size=3), values))


def json_patches(whole: Whole) -> st.SearchStrategy[Any]:
    """Operations at places that the rule set has, has almost, or has not."""
    places = ["/" + "/".join(map(str, path)) for path in paths(whole)]
    pointers = st.sampled_from(["", "/", "/-", "x", "/checks/-", "/a~2", *places])
    operation = st.fixed_dictionaries(
        {"op": st.sampled_from(["add", "remove", "replace", "move", "copy", "test", "fly"])},
        optional={"path": pointers, "from": pointers, "value": st.sampled_from(HOSTILE)},
    )
    return st.lists(st.one_of(operation, st.sampled_from(HOSTILE)), max_size=5)


def as_json(document: Any) -> bytes:
    """A body; what is no JSON by itself (a lone surrogate, an endless number) stays as it is."""
    return json.dumps(document).encode()


def whole_of(documents: Mapping[str, Any]) -> Whole:
    """The sections of all files as one document."""
    return {key: deepcopy(value) for one in documents.values() for key, value in one.data.items()}
