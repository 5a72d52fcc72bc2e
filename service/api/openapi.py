"""The OpenAPI 3.1 document: made from the schemas and views, never written by hand."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from http import HTTPStatus
from typing import Any

import marshmallow as ma
import yaml
from apispec.ext.marshmallow.openapi import OpenAPIConverter
from flask import Flask, Response
from flask_smorest import Api, Blueprint

from service import __version__
from service.api.batch_schemas import EitherAssessment
from service.api.body import StrictBodyParser
from service.api.errors import ProblemSchema, handle_http_exception
from service.api.example_answers import example_answers
from service.api.fields import (
    Count,
    Items,
    Named,
    Number,
    PartOrText,
    QuantityOrText,
    Text,
    Variant,
    Yes,
)
from service.api.guarding import RESPONSE_HEADERS, SCHEME, SECURITY_SCHEME, secured
from service.api.responses import cacheable
from service.documents import dump_json
from service.problems import INVALID_REQUEST, MEDIA_TYPE, kinds_of, sentence
from service.ruleset.compose import unquoted

DESCRIPTION = """\
Rule-based diagnosis of household appliances. One case in (complaint, nameplate, meter, readings),
one assessment out: the next check, or the fault with its remedy, with precautions and reasons.
Nothing is stored. The same request against the same rule set always gives the same bytes.
The examples are real answers, with their lists cut short.
Values carry UCUM units. Errors are problem documents (RFC 9457). A client should ignore names in
an answer that it does not know: more may be added.
Every answer has an X-Request-Id: the one that was sent, or a new one, under which the log of the
service has the request. A traceparent (W3C Trace Context) is carried on.
"""

_IN_TWO_STEPS = (
    "the shape is looked at first (fields that are missing, unknown or of the wrong type), and "
    "what it means to the rule set (ids, units, bounds) when nothing is wrong with that. A request "
    "that has been mended may get further errors."
)

# How a view documents that its answer is `responses.cacheable`.
ETAG = {
    "ETag": {"schema": {"type": "string"}, "description": "Changes when the content does."},
}
IF_NONE_MATCH = {
    "in": "header",
    "name": "If-None-Match",
    "required": False,
    "schema": {"type": "string"},
    "description": "An ETag; the answer is 304 if it still stands.",
}


View = Callable[..., Response]


class ServiceBlueprint(Blueprint):
    """A blueprint whose bodies are read strictly, and whose views return whole responses.

    What the library would do at each request with what a view returns is then nothing, several
    times over: only what it documents is taken.
    """

    ARGUMENTS_PARSER = StrictBodyParser()

    def body(self, *args: Any, **kwargs: Any) -> Callable[[View], View]:
        """Document the body of a view that reads it itself."""
        return _documentation_of(super().arguments(*args, **kwargs))

    def response(self, *args: Any, **kwargs: Any) -> Callable[[View], View]:
        """Document the answer of a view."""
        return _documentation_of(super().response(*args, **kwargs))

    def alt_response(self, *args: Any, **kwargs: Any) -> Callable[[View], View]:
        """Document another answer of a view."""
        return _documentation_of(super().alt_response(*args, **kwargs))


def _documentation_of(decorate: Callable[[View], Any]) -> Callable[[View], View]:
    def document(view: View) -> View:
        view._apidoc = decorate(view)._apidoc  # type: ignore[attr-defined]
        return view

    return document


class ServiceApi(Api):
    """The API with its errors documented as what they are."""

    ERROR_SCHEMA = ProblemSchema
    DEFAULT_ERROR_RESPONSE_NAME = None

    def handle_http_exception(self, error: Any) -> Response:
        """Shape an error; see `service.api.errors`."""
        return handle_http_exception(error)

    def _register_pagination_header(self) -> None:
        """Nothing here comes in pages, so there is no header to describe."""

    def _register_responses(self) -> None:
        super()._register_responses()
        shown = example_answers()["problems"]
        for status in HTTPStatus:
            kinds = kinds_of(status)
            response = self.spec.components.responses_lazy[status.name]
            if not kinds:
                continue
            types = " or ".join(f"`{kind.uri}`" for kind in kinds)
            response["description"] = f"{status.phrase}: a problem of type {types}."
            if INVALID_REQUEST in kinds:
                response["description"] += f" Of `{INVALID_REQUEST.uri}`: {_IN_TWO_STEPS}"
            # The base class has documented every error as application/json.
            problem = response["content"].pop("application/json")
            if status.name in shown:
                problem["example"] = shown[status.name]
            response["content"] = {MEDIA_TYPE: problem}
            if headers := RESPONSE_HEADERS.get(status.name):
                response["headers"] = headers


def create_api(app: Flask) -> ServiceApi:
    """The API of the app, without views as yet. The document is served at /openapi.json."""
    app.config.update(
        API_TITLE="Ohmpath",
        API_VERSION=__version__,
        OPENAPI_VERSION="3.1.0",
        API_SPEC_OPTIONS={
            "info": {
                "description": DESCRIPTION,
                "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
            },
            # The same as none, but said: generators and linters ask for it.
            "servers": [{"url": "/", "description": "The service that this document comes from."}],
            "tags": [
                {"name": "assessments", "description": "Cases and what follows from them."},
                {"name": "calculations", "description": "The physics alone, by name."},
                {"name": "rule sets", "description": "What can be asked and answered."},
                {"name": "service", "description": "The state of the service itself."},
            ],
        },
    )
    api = ServiceApi(app)
    kinds = {Text: "string", Number: "number", Count: "integer", Yes: "boolean", Named: "object"}
    for field, kind in kinds.items():
        api.register_field(field, kind, None)
    api.register_field(Items, ma.fields.List)
    api.register_field(PartOrText, None, None)
    api.register_field(QuantityOrText, None, None)
    api.register_field(Variant, None, None)
    api.register_field(EitherAssessment, None, None)
    api.ma_plugin.converter.add_attribute_function(_constraints)
    api.spec.components.security_scheme(SCHEME, SECURITY_SCHEME)
    app.add_url_rule("/openapi.json", "openapi_json", _serve(api, "application/json", dump_json))
    app.add_url_rule("/openapi.yaml", "openapi_yaml", _serve(api, "application/yaml", dump_yaml))
    return api


def openapi_document(api: ServiceApi) -> dict[str, Any]:
    """The OpenAPI document, each operation's responses in the order of their status.

    To be called while the app is handling a request: it depends on whether the app has keys.
    """
    refused = {
        str(HTTPStatus[name].value): api.spec.components.get_ref("response", name)
        for name in RESPONSE_HEADERS
    }
    shown = example_answers()
    document: dict[str, Any] = api.spec.to_dict()
    for path, item in document["paths"].items():
        for operation in item.values():
            if isinstance(operation, dict) and "responses" in operation:
                added = secured(path, refused)
                responses = {**added.pop("responses", {}), **operation["responses"]}
                operation.update(added, responses=dict(sorted(responses.items())))
                for media_type, example in shown.get(operation["operationId"], {}).items():
                    operation["responses"]["200"]["content"][media_type]["example"] = example
    return document


class _Dumper(yaml.SafeDumper):
    def ignore_aliases(self, data: Any) -> bool:
        return True  # what stands twice is written twice


def _represent_text(dumper: yaml.SafeDumper, text: str) -> yaml.ScalarNode:
    # A block has no carriage returns. A text is one to readers of YAML 1.1 and of 1.2.
    style = '"' if "\r" in text else "|" if "\n" in text else None
    if unquoted(text) != "text":
        style = "'"
    return dumper.represent_scalar("tag:yaml.org,2002:str", text, style=style)


_Dumper.add_representer(str, _represent_text)


def dump_yaml(document: Any) -> bytes:
    """The document as YAML, in its own order, with text of several lines as blocks."""
    written: bytes = yaml.dump(
        document, Dumper=_Dumper, encoding="utf-8", allow_unicode=True, sort_keys=False, width=100
    )
    return written


def _serve(
    api: ServiceApi, media_type: str, dump: Callable[[Any], bytes]
) -> Callable[[], Response]:
    @cache  # all views are registered by the time of the first request
    def body() -> bytes:
        return dump(openapi_document(api))

    def view() -> Response:
        return cacheable(Response(body(), content_type=media_type))

    return view


def _constraints(
    self: OpenAPIConverter, field: ma.fields.Field[Any], **kwargs: Any
) -> dict[str, Any]:
    """What the strict fields check, in JSON Schema."""
    match field:
        case Text():
            out: dict[str, Any] = {"maxLength": field.most}
            if field.least:
                out["minLength"] = field.least
            if choices := getattr(field, "choices", None):
                out = {"enum": list(choices)}
            return out
        case Number():
            bounds = (("minimum", field.least), ("maximum", field.most))
            return {name: bound for name, bound in bounds if bound is not None}
        case Yes():
            return {"const": True}
        case Items():
            return {"maxItems": field.most}
        case Named():
            return {
                "maxProperties": field.most,
                "additionalProperties": self.field2property(field.inner),
            }
        case PartOrText():
            text = {"type": "string", "minLength": 1, "maxLength": field.most}
            return {"oneOf": [_reference(self, field.schema), text]}
        case EitherAssessment():
            return {"anyOf": [_reference(self, schema) for schema in field.schemas]}
        case Variant():
            components = self.spec.components
            if field.component not in components.schemas:
                schemas = field.variants.values()
                # No object is of two variants, so this says the same as oneOf. But the opposite of
                # oneOf is also "of two at once", from which no generator of requests can draw.
                alternatives = [_reference(self, schema) for schema in schemas]
                described = {"description": sentence(field.rule), "anyOf": alternatives}
                components.schema(field.component, described)
            return components.get_ref("schema", field.component)
    return {}


def _reference(converter: OpenAPIConverter, schema: type[ma.Schema]) -> Any:
    return converter.resolve_nested_schema(schema)  # type: ignore[no-untyped-call]
