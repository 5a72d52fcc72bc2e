"""Strict marshmallow fields: nothing is converted, and every message says what would be right.

The library's own fields take the text "1.5" for a number and "yes" for true. A client that sends
text has a mistake in it that is better found now.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import marshmallow as ma

from service.alike import alike
from service.documents import no_number, shown

# Beyond this, integers and binary64 numbers no longer correspond one to one.
_MAX_EXACT = 2**53


def _messages(what: str, declared: Mapping[str, Any]) -> dict[str, Any]:
    """What is said of a field that is missing, or null. declared: its keyword arguments."""
    told = declared.get("metadata", {}).get("description", "")
    hint = "" if declared.get("required") else "; leave it out if there is none"
    return {
        "required": f"{what} is required here" + (f": {told}" if told else ""),
        "null": f"this must be {what}, not null{hint}",
    }


class Text(ma.fields.Field[str]):
    """Text of `least` to `most` characters."""

    def __init__(self, *, most: int, least: int = 1, **kwargs: Any) -> None:
        super().__init__(error_messages=_messages("text", kwargs), **kwargs)
        self.most, self.least = most, least

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> str:
        if not isinstance(value, str):
            raise ma.ValidationError(f"this must be text, not {shown(value)}")
        if len(value) < self.least:
            raise ma.ValidationError("this must not be empty")
        if len(value) > self.most:
            raise ma.ValidationError(
                f"this must have at most {self.most} characters, not {len(value)}: {shown(value)}"
            )
        return value


class Choice(Text):
    """One of a few texts."""

    def __init__(self, *choices: str, **kwargs: Any) -> None:
        super().__init__(most=100, **kwargs)
        self.choices, self._listed = choices, " or ".join(map(shown, choices))
        self.error_messages |= _messages(self._listed, kwargs)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> str:
        if not isinstance(value, str) or value not in self.choices:
            raise ma.ValidationError(f"this must be {self._listed}, not {shown(value)}")
        return value


class Number(ma.fields.Field[float]):
    """A finite JSON number, with bounds that belong to the range."""

    def __init__(
        self, *, least: float | None = None, most: float | None = None, **kwargs: Any
    ) -> None:
        super().__init__(error_messages=_messages("a number", kwargs), **kwargs)
        self.least, self.most = least, most

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ma.ValidationError(no_number(value))
        if not math.isfinite(value):
            raise ma.ValidationError("this must be a finite number")
        if self.least is not None and value < self.least:
            raise ma.ValidationError(f"this must be {self.least:g} or more, not {shown(value)}")
        if self.most is not None and value > self.most:
            raise ma.ValidationError(f"this must be {self.most:g} or less, not {shown(value)}")
        return value if abs(value) <= _MAX_EXACT else float(value)


class Count(Number):
    """A whole number, such as how many."""

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> float:
        number = super()._deserialize(value, attr, data, **kwargs)
        if number != int(number):
            raise ma.ValidationError(f"this must be a whole number, not {shown(value)}")
        return int(number)


class Yes(ma.fields.Field[bool]):
    """The JSON literal true. What is not so is left out, rather than said with false."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(error_messages=_messages("true", kwargs), **kwargs)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> bool:
        if value is not True:
            raise ma.ValidationError(f"this must be true or left out, not {shown(value)}")
        return True


class Items(ma.fields.List[Any]):
    """A list of at most `most` items, each of one field."""

    def __init__(self, inner: ma.fields.Field[Any], *, most: int, **kwargs: Any) -> None:
        super().__init__(inner, error_messages=_messages("a list", kwargs), **kwargs)
        self.most = most

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> list[Any]:
        if not isinstance(value, list):
            raise ma.ValidationError(f"this must be a list, not {shown(value)}")
        if len(value) > self.most:
            raise ma.ValidationError(f"this must have at most {self.most} items, not {len(value)}")
        try:
            return [straight(self.inner, item) for item in value]
        except ma.ValidationError:
            return super()._deserialize(value, attr, data, **kwargs)


class Named(ma.fields.Field[dict[str, Any]]):
    """An object whose names are ids that the rule set knows, each value of one field."""

    def __init__(self, inner: ma.fields.Field[Any], *, most: int, **kwargs: Any) -> None:
        super().__init__(error_messages=_messages("an object", kwargs), **kwargs)
        self.inner, self.most = inner, most

    def _bind_to_schema(self, field_name: str, parent: Any) -> None:
        super()._bind_to_schema(field_name, parent)
        self.inner._bind_to_schema(field_name, self)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> dict[str, Any]:
        if not isinstance(value, dict):
            raise ma.ValidationError(f"this must be an object, not {shown(value)}")
        if len(value) > self.most:
            raise ma.ValidationError(f"this must have at most {self.most} names, not {len(value)}")
        try:
            return {name: straight(self.inner, item) for name, item in value.items()}
        except ma.ValidationError:
            return self._with_errors(value)

    def _with_errors(self, value: dict[str, Any]) -> dict[str, Any]:
        found: dict[str, Any] = {}
        errors: dict[str | int, Any] = {}
        for name, item in value.items():
            try:
                found[name] = self.inner.deserialize(item, name, value)
            except ma.ValidationError as error:
                errors[name] = error.messages
        if errors:
            raise ma.ValidationError(errors)
        return found


class Part(ma.fields.Nested):
    """An object of one schema."""

    def __init__(self, schema: type[ma.Schema], **kwargs: Any) -> None:
        super().__init__(schema, error_messages=_messages("an object", kwargs), **kwargs)


class Variant(ma.fields.Field[dict[str, Any]]):
    """An object that is of exactly one of several schemas, told apart by the names it has.

    `name`: of the component of the OpenAPI document. `variants`: the name that marks a variant, and
    its schema. `also`: names which mark the same variant, so that one forgotten half of a pair is
    reported as missing.
    """

    def __init__(
        self,
        name: str,
        variants: Mapping[str, type[ma.Schema]],
        *,
        also: Mapping[str, str] | None = None,
        rule: str,
        **kwargs: Any,
    ) -> None:
        super().__init__(error_messages=_messages("an object", kwargs), **kwargs)
        self.component, self.rule = name, rule
        self.variants, self.also = dict(variants), dict(also or {})
        self._loaded = {mark: schema() for mark, schema in self.variants.items()}

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> dict[str, Any]:
        if not isinstance(value, dict):
            raise ma.ValidationError(f"this must be an object, not {shown(value)}")
        marks = {mark for mark in self.variants if mark in value}
        marks |= {mark for name, mark in self.also.items() if name in value and not marks}
        if len(marks) != 1:
            got = [name for name in self.variants if name in value]
            here = f"are {' and '.join(got)}" if got else "is none of them"
            raise ma.ValidationError(f"{self.rule}; here {here}")
        loaded: dict[str, Any] = self._loaded[marks.pop()].load(value)
        return loaded


class PartOrText(ma.fields.Field[Any]):
    """An object of one schema, or a text; the object is told by its required names."""

    def __init__(self, schema: type[ma.Schema], *, most: int, what: str, **kwargs: Any) -> None:
        super().__init__(error_messages=_messages(f"{what} or text", kwargs), **kwargs)
        self.schema, self.most = schema, most
        self._part, self._text = schema(), Text(most=most)
        self._shape = ", ".join(
            f'"{name}": {"text" if isinstance(one, Text) else "number"}'
            for name, one in self._part.fields.items()
        )

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> Any:
        if isinstance(value, str):
            return self._text.deserialize(value, attr, data)
        if isinstance(value, dict):
            return self._part.load(value)
        raise ma.ValidationError(f"this must be {{{self._shape}}} or text, not {shown(value)}")


class QuantityOrText(PartOrText):
    """A quantity or a text: what a nameplate states."""

    def __init__(self, quantity: type[ma.Schema], *, most: int, **kwargs: Any) -> None:
        super().__init__(quantity, most=most, what="a quantity", **kwargs)


class AnswerSchema(ma.Schema):
    """A part of an answer: documented as it is, and open to names that are added later."""

    class Meta:
        unknown = ma.EXCLUDE


@dataclass(frozen=True, slots=True)
class UnknownNames:
    """The names of an object that its schema does not know; each is an error of its own.

    What is said of one is worked out when it is told: a body may have a hundred thousand.
    """

    names: tuple[str, ...]
    known: tuple[str, ...]

    def message(self, name: str) -> str:
        """What is said of one of them."""
        if near := alike(name, self.known):
            return f"unknown field {shown(name)}; did you mean {shown(near[0])}?"
        return f"unknown field {shown(name)}; the fields here are {', '.join(self.known)}"


class StrictSchema(ma.Schema):
    """A schema that refuses unknown names and says which it has."""

    class Meta:
        unknown = ma.RAISE

    def load(self, data: Any, **kwargs: Any) -> Any:
        """As the library's, which is asked only about what is not right: it says all that is wrong.

        What is right takes a short way: names that are not there cost nothing.
        """
        if isinstance(data, dict):
            try:
                return self._straight(data)
            except ma.ValidationError:
                pass
            return self._all_that_is_wrong(data, **kwargs)
        needed = " and ".join(name for name, one in self.fields.items() if one.required)
        wanted = f"an object with {needed}" if needed else "an object"
        raise ma.ValidationError({"_schema": [f"this must be {wanted}, not {shown(data)}"]})

    def _straight(self, data: dict[str, Any]) -> dict[str, Any]:
        fields = self.load_fields
        found: dict[str, Any] = {}
        for name, value in data.items():
            field = fields.get(name)
            if field is None:
                raise ma.ValidationError("")
            found[name] = straight(field, value)
        for name, field in fields.items():
            if name not in found and (field.required or field.load_default is not ma.missing):
                found[name] = field.deserialize(ma.missing)
        return found

    def _all_that_is_wrong(self, data: dict[str, Any], **kwargs: Any) -> Any:
        """Load by the library, which does not see unknown names: each costs it a copy of all."""
        fields = self.load_fields
        known = {name: value for name, value in data.items() if name in fields}
        messages: dict[Any, Any] = {}
        loaded: Any = None
        try:
            loaded = super().load(known, **kwargs)
        except ma.ValidationError as error:
            messages = error.normalized_messages()  # type: ignore[no-untyped-call]
        if len(known) < len(data):
            messages["_schema"] = [UnknownNames(tuple(data.keys() - fields.keys()), tuple(fields))]
        if messages:
            raise ma.ValidationError(messages)
        return loaded


def straight(field: ma.fields.Field[Any], value: Any) -> Any:
    """A value by a field that has no validators, and takes no null. Raises ValidationError."""
    if value is None:
        raise ma.ValidationError("")
    return field._deserialize(value, None, None)
