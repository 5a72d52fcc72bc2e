"""The short way through the schemas gives what the library gives, and refuses what it refuses."""

from __future__ import annotations

import copy
from typing import Any

import marshmallow as ma
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.api.fields import StrictSchema
from service.api.request_schemas import CaseSchema
from tests.bench.make_cases import originals
from tests.wanted import examples

CASES = originals()


class SlowCaseSchema(CaseSchema):
    """The same by the library alone, at the first level."""

    def _straight(self, data: dict[str, Any]) -> dict[str, Any]:
        raise ma.ValidationError("")


def outcome(schema: ma.Schema, document: Any) -> Any:
    try:
        return schema.load(copy.deepcopy(document))
    except ma.ValidationError as error:
        return error.messages


@st.composite
def spoilt(draw: st.DrawFn) -> dict[str, Any]:
    """A case with one member, somewhere, put in the place of another or of anything."""
    case = copy.deepcopy(draw(st.sampled_from(CASES)))
    at: Any = case
    while isinstance(at, dict | list) and at:
        key = draw(st.sampled_from(sorted(at) if isinstance(at, dict) else range(len(at))))
        if not isinstance(at[key], dict | list) or not at[key] or draw(st.booleans()):
            anything = [None, "", "x" * 600, 0, -1, 1.5, True, [], {}, [None], {"value": 1}]
            if draw(st.booleans()):
                at[key] = draw(st.sampled_from(anything))
            elif isinstance(at, dict):
                at[draw(st.sampled_from(["odd", "note", "unit"]))] = at.pop(key)
            break
        at = at[key]
    return case


@settings(max_examples=examples(400), deadline=None)
@given(case=spoilt())
def test_both_ways_say_the_same(case: dict[str, Any]) -> None:
    assert outcome(CaseSchema(), case) == outcome(SlowCaseSchema(), case)


@pytest.mark.parametrize("case", CASES, ids=range(len(CASES)))
def test_every_case_of_the_rule_sets_loads_alike(case: dict[str, Any]) -> None:
    assert CaseSchema().load(case) == SlowCaseSchema().load(case)


def test_no_field_has_what_the_short_way_passes_over() -> None:
    """Validators, hooks, other names and null are what it does not look at."""
    met: set[type] = set()

    def look(schema: ma.Schema) -> None:
        if type(schema) in met:
            return
        met.add(type(schema))
        assert isinstance(schema, StrictSchema)
        assert not any(schema._hooks.values())
        for field in schema.load_fields.values():
            within(field)

    def within(field: Any) -> None:
        assert not [*field.validators, *field.pre_load, *field.post_load]
        assert not field.allow_none
        assert field.data_key is None
        assert field.attribute is None
        for name in ("inner", "schema", "_quantity"):
            inner = getattr(field, name, None)
            if isinstance(inner, ma.fields.Field):
                within(inner)
            elif isinstance(inner, ma.Schema):
                look(inner)
        for variant in getattr(field, "_loaded", {}).values():
            look(variant)

    look(CaseSchema())
    assert len(met) > 8
