"""A rule set as one document, or as several: which section belongs to which file.

The files of a folder share no section, so that they may be strung together as one document and
taken apart again. Whatever is no section of another file belongs to the header.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import islice

from service.problems import sentence
from service.ruleset.build import FILES
from service.ruleset.near import hint
from service.ruleset.shape import MOST_ISSUES, keys
from service.ruleset.source import Document, Issue, RuleSetError

HEADER = "rule-set"
SECTIONS: Mapping[str, tuple[str, ...]] = {
    "symptoms": ("symptoms",),
    "faults": ("faults", "remedies", "parts", "conditions"),
    "checks": ("scales", "checks"),
    "rules": ("rules",),
    "precautions": ("precautions", "preparations", "access"),
}
CASES = "cases"
KNOWN = frozenset(
    {*keys(HEADER), CASES, *(section for sections in SECTIONS.values() for section in sections)}
)
_FILE_OF = {section: name for name, sections in SECTIONS.items() for section in sections}


def file_of(section: str) -> str:
    """The file, without its ending, that a section belongs to."""
    return _FILE_OF.get(section, HEADER)


def gather(
    sent: Iterable[Document], base: Mapping[str, Document] | None = None
) -> tuple[dict[str, Document], list[Document]]:
    """The documents of a rule set by file, out of the pieces that were sent; and its cases.

    base: stands in for every file of which nothing was sent.

    Raises:
        RuleSetError: if a file comes from two pieces or is lacking, or a section is unknown.
    """
    found: dict[str, Document] = {}
    cases: list[Document] = []
    issues: list[Issue] = []
    for piece in sent:
        strange = (key for key in piece.data if key not in KNOWN)
        issues += [
            piece.issue(
                (key,),
                f"there is no section {key[:60]!r}",
                rule="shape",
                advice=sentence(hint("section", key, KNOWN)),
            )
            for key in islice(strange, MOST_ISSUES)
        ]
        for name, document in _split(piece).items():
            if name == CASES:
                cases.append(document)
            elif name in found:
                first = next(iter(document.data))
                message = f"the file {found[name].file} has sections of {name}.yaml already"
                advice = f"Send what belongs in {name}.yaml in one piece."
                issues.append(piece.issue((first,), message, rule="shape", advice=advice))
            else:
                found[name] = document
    if issues:
        raise RuleSetError(issues)
    out = {name: found[name] for name in FILES if name in found}
    for name in FILES:
        if name not in out and base is not None:
            out[name] = base[name]
    lacking = [name for name in FILES if name not in out]
    if lacking:
        raise RuleSetError([_lacks(name) for name in lacking])
    return out, cases


def _split(piece: Document) -> dict[str, Document]:
    """A document for each file of which a piece has sections; and one for its cases."""
    sections: dict[str, list[str]] = {}
    for section in piece.data:
        name = CASES if section == CASES else file_of(section)
        sections.setdefault(name, []).append(section)
    return {name: _part(piece, keys) for name, keys in sections.items()}


def _part(piece: Document, sections: list[str]) -> Document:
    """Some sections of a document, each where it stands in it."""
    places = {path: place for path, place in piece.places.items() if path and path[0] in sections}
    return Document(piece.file, {key: piece.data[key] for key in sections}, places)


def _lacks(name: str) -> Issue:
    what = "header (id, equipment, version, ...)" if name == HEADER else f"section {name!r}"
    return Issue(
        file=f"{name}.yaml",
        line=0,
        column=0,
        message=f"there is no {what}",
        rule="shape",
        about="",
        advice="Send all files of a rule set, or name the installed one that it changes as `base`.",
    )
