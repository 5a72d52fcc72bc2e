"""What an author sends: a whole rule set, or changes to an installed one; and cases."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Literal

from service.documents import MAX_BODY_BYTES, parse_json, shown
from service.problems import invalid_request, pointer, refusals
from service.ruleset.catalogue import Catalogue, built
from service.ruleset.model import RuleSet
from service.ruleset.near import unknown
from service.ruleset.shape import shape_issues
from service.ruleset.source import Document, Issue, RuleSetError, parse_document
from service.trials.expectations import is_own_case
from service.trials.overlay import overlay
from service.trials.sections import CASES, gather

BASE, CHANGES = "base", "changes"
BODY = "body"  # what findings call that of a request
MOST_SUBMITTED_BYTES = 8 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Part:
    """One piece of what was sent, as it came. name: what findings call it."""

    name: str
    raw: bytes
    form: Literal["yaml", "json"]


@dataclass(frozen=True, slots=True)
class Submission:
    """What was sent: one document that holds everything, or the files of a folder.

    base: the id of the installed rule set that lends what was not sent, if that was said beside
    the parts. patch: what the media type says of `changes` (None: nothing).
    """

    parts: tuple[Part, ...]
    base: str | None = None
    patch: type[dict[Any, Any]] | type[list[Any]] | None = None


@dataclass(frozen=True, slots=True)
class Candidate:
    """The documents of a rule set that is not installed, and those of the cases that came with it.

    base: the id of the installed rule set that it was made from, if it was. patch: the merge patch
    that has made it, if one has.
    """

    documents: Mapping[str, Document]
    case_documents: tuple[Document, ...]
    base: str | None
    patch: Mapping[str, Any] | None = None

    @property
    def cases(self) -> tuple[Any, ...]:
        """The cases, in order."""
        return tuple(case for one in self.case_documents for case in one.data[CASES])


def understood(submission: Submission, catalogue: Catalogue) -> tuple[Candidate, RuleSet]:
    """The candidate in a submission, and its model, if there is nothing wrong with it.

    Raises: as `read_candidate` and `rule_set_of`.
    """
    try:
        candidate = read_candidate(submission, catalogue, located=False)
        return candidate, rule_set_of(candidate)
    except RuleSetError:
        if all(part.form == "yaml" for part in submission.parts):
            raise
        # Where things stand in JSON is found out only now that it is to be said.
        candidate = read_candidate(submission, catalogue, located=True)
        return candidate, rule_set_of(candidate)


def read_candidate(submission: Submission, catalogue: Catalogue, *, located: bool) -> Candidate:
    """The candidate in a submission.

    located: whether the lines and columns of JSON are wanted, which takes a second reading.

    Raises:
        Problem: malformed-json; invalid-request, if there is no such base or its changes cannot be
            made.
        RuleSetError: if what was sent is no rule set, or lacks a part of one.
    """
    pieces: list[Document] = []
    issues: list[Issue] = []
    for part in submission.parts:
        try:
            pieces.append(_parsed(part, located=located))
        except RuleSetError as error:
            issues += error.issues
    if issues:
        raise RuleSetError(issues)
    base = _base(submission, [piece.data for piece in pieces], catalogue)
    if base is None:
        documents, cases = gather(pieces)
        return Candidate(documents, _cases(cases), None)
    lent = catalogue.source(base).documents
    rest: list[Document] = []
    patches: list[Any] = []
    for piece in pieces:
        if _is_overlay(piece.data):
            lent, sent = _overlaid(piece, lent)
            rest += sent
            patches.append(piece.data.get(CHANGES))
        else:
            rest.append(piece)
    documents, cases = gather(rest, lent)
    # Of several it cannot be said what one of them does not change.
    patch = patches[0] if len(patches) == 1 and isinstance(patches[0], dict) else None
    return Candidate(documents, _cases(cases), base, patch)


def refuse_early(submission: Submission, catalogue: Catalogue) -> None:
    """Refuse what is no request at all, before any more work goes into it.

    What is large is not read here, where others are served: as values it takes up to 33 times its
    room. It is refused in the process of its own.

    Raises:
        Problem: malformed-json or invalid-request, as `read_candidate` would.
    """
    if sum(len(one.raw) for one in submission.parts) > MAX_BODY_BYTES:
        return
    sent = [
        parse_json(one.raw, MOST_SUBMITTED_BYTES) for one in submission.parts if one.form == "json"
    ]
    _base(submission, sent, catalogue)


def _parsed(part: Part, *, located: bool) -> Document:
    """A part as plain data. JSON is read as strictly as any body, and as YAML it tells places."""
    if part.form == "yaml":
        return parse_document(part.raw, part.name)
    data = parse_json(part.raw, MOST_SUBMITTED_BYTES)
    places = {}
    if located:
        # Not all JSON is YAML: there are tabs.
        with suppress(RuleSetError):
            places = parse_document(part.raw, part.name).places
    return Document(part.name, data, places)


def _base(submission: Submission, sent: Iterable[Any], catalogue: Catalogue) -> str | None:
    """The id of the base, wherever it was said, once nothing is wrong with the request itself."""
    base: Any = submission.base
    errors: list[tuple[str, str]] = []
    for one in sent:
        if not isinstance(one, dict):
            errors.append(("", f"must be an object, not {shown(one)}"))
            continue
        if not isinstance(one.get(CASES, []), list):
            errors.append((pointer(CASES), f"must be a list, not {shown(one[CASES])}"))
        if _is_overlay(one):
            errors += _wrong_overlay(one, submission.patch)
            base = one.get(BASE, base)
            if base is None:
                missing = "is missing: the id of the installed rule set that `changes` are made to"
                errors.append((pointer(BASE), missing))
    if base is not None and not isinstance(base, str):
        message = f"must be the id of an installed rule set, not {shown(base)}"
        errors.append((pointer(BASE), message))
    elif base is not None and base not in catalogue.ids():
        errors.append((pointer(BASE), unknown("rule set", base, catalogue.ids())))
    if errors:
        raise invalid_request(errors)
    return None if base is None else str(base)


def _is_overlay(data: Any) -> bool:
    return isinstance(data, dict) and bool({BASE, CHANGES} & data.keys())


def _wrong_overlay(data: Mapping[str, Any], patch: type | None) -> Iterator[tuple[str, str]]:
    """What is wrong with the keys beside a base, by JSON Pointer."""
    known = (BASE, CHANGES, CASES)
    yield from refusals(
        sorted(data.keys() - set(known)),
        lambda key: (pointer(key), unknown("key beside base", key, known, "keys")),
    )
    changes = data.get(CHANGES, patch() if patch else {})
    if not isinstance(changes, dict | list):
        yield pointer(CHANGES), "must be an object (RFC 7396) or a list (RFC 6902)"
    elif patch is not None and not isinstance(changes, patch):
        what = "an object (RFC 7396)" if patch is dict else "a list (RFC 6902)"
        yield pointer(CHANGES), f"must be {what}, as the Content-Type says"


def _overlaid(
    piece: Document, base: Mapping[str, Document]
) -> tuple[Mapping[str, Document], list[Document]]:
    """The base with the changes of a document made; and the cases that the document holds."""
    if CHANGES in piece.data:
        places = {p[1:]: place for p, place in piece.places.items() if p[:1] == (CHANGES,)}
        sent = CHANGES if piece.file == BODY else piece.file
        base = overlay(base, piece.data[CHANGES], places, sent)
    if CASES not in piece.data:
        return base, []
    places = {p: place for p, place in piece.places.items() if p[:1] == (CASES,)}
    return base, [Document(piece.file, {CASES: piece.data[CASES]}, places)]


def _cases(documents: Iterable[Document]) -> tuple[Document, ...]:
    """The same documents of cases, in order.

    Raises:
        RuleSetError: if an own case is not of its shape.
    """
    out = tuple(documents)
    for document in out:
        wrong = shape_issues(_own(document), CASES)
        if wrong:
            raise RuleSetError(wrong)
    return out


def _own(document: Document) -> Document:
    """Of the cases in a document those that are written as a rule set's own are."""
    kept = [n for n, case in enumerate(document.data[CASES]) if is_own_case(case)]
    now = {number: position for position, number in enumerate(kept)}
    places = {
        (CASES, now[path[1]], *path[2:]): place
        for path, place in document.places.items()
        if len(path) > 1 and path[1] in now
    }
    return Document(document.file, {CASES: [document.data[CASES][n] for n in kept]}, places)


def rule_set_of(candidate: Candidate) -> RuleSet:
    """The model of a candidate, if there is nothing wrong with it.

    Raises:
        RuleSetError: with all that is wrong, as far as it can be told.
    """
    wrong = [
        issue for name, one in candidate.documents.items() for issue in shape_issues(one, name)
    ]
    if wrong:
        raise RuleSetError(wrong)
    return built(candidate.documents)
