"""The fields that answers are made of, each with its description."""

from __future__ import annotations

from typing import Any

import marshmallow as ma
from marshmallow import fields
from marshmallow.validate import OneOf, Range

from service.api.request_schemas import described


def string(description: str, *, null: bool = False) -> fields.String:
    return fields.String(required=True, allow_none=null, metadata=described(description))


def one_of(*choices: str, description: str, null: bool = False) -> fields.String:
    return fields.String(
        required=True, validate=OneOf(choices), allow_none=null, metadata=described(description)
    )


def number(description: str, *, null: bool = False) -> fields.Float:
    return fields.Float(required=True, allow_none=null, metadata=described(description))


def count(description: str) -> fields.Integer:
    return fields.Integer(required=True, metadata=described(description))


def fraction(description: str) -> fields.Float:
    return fields.Float(required=True, validate=Range(0, 1), metadata=described(description))


def flag(description: str) -> fields.Boolean:
    return fields.Boolean(required=True, metadata=described(description))


def strings(description: str) -> fields.List[Any]:
    return fields.List(fields.String(), required=True, metadata=described(description))


def titles(description: str) -> fields.Dict:
    text = fields.String()
    return fields.Dict(text, text, required=True, metadata=described(description))


def each(schema: type[ma.Schema], description: str) -> fields.List[Any]:
    return fields.List(fields.Nested(schema), required=True, metadata=described(description))


def one(schema: type[ma.Schema], description: str, *, null: bool = False) -> fields.Nested:
    return fields.Nested(schema, required=True, allow_none=null, metadata=described(description))
