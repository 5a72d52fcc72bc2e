"""The OpenAPI document breaks no client that was made for the last release."""

from __future__ import annotations

import copy
import subprocess

import pytest

from service import __version__
from tests.openapi.breaking import breaking
from tests.openapi.changes import CHANGES, Change
from tests.openapi.reading import FOLDER, RELEASED, STORED, read
from tests.openapi.schemas import Comparison

DOCUMENT, DOCUMENT_THEN = read(STORED), read(RELEASED)


# Nothing has been released yet, so what breaks is nobody's client, and it is named here with the
# reason. After the first release nothing may be.
_WHOLE = "Only whole numbers were ever taken; the document now says so."
_PLACE = "A confirmation has its place; what `confirms` says goes into `confirmed` as it is."
_KINDS = (
    "There are more kinds of steps; a client that knows none of them sends the id of such a step "
)
_KINDS += "in `unavailable`, and the visit goes on."
MEANT = {
    "POST /v1/assessments answer 200 application/json /next_check/kind: "
    "enum [] → ['question', 'nameplate']": _KINDS,
    "GET /v1/rule-sets/{rule_set_id} answer 200 application/json /checks/*/kind: "
    "enum [] → ['question']": _KINDS,
    "POST /v1/assessments answer 200 application/json /next_check/confirms/*: "
    "type string → object": _PLACE,
    "POST /v1/assessments request application/json /repairs/*/readings_before: "
    "type number → integer": _WHOLE,
    "POST /v1/assessments/batch request application/json /*: type None → object": "The service "
    "takes whatever item it took before; only the document asks for a case. Beside `anything` a "
    "generated client's type for an item was anything, too.",
    "POST /v1/assessments/batch request application/json /*/repairs/*/readings_before: "
    "type number → integer": _WHOLE,
}


def test_nothing_breaks_since_the_last_release() -> None:
    assert sorted(breaking(DOCUMENT_THEN, DOCUMENT)) == sorted(MEANT)


def test_released_document_is_of_this_version_or_an_older_one() -> None:
    assert _numbers(DOCUMENT_THEN["info"]["version"]) <= _numbers(__version__)


def _numbers(version: str) -> list[int]:
    return [int(number) for number in version.split(".")]


def _git(*arguments: str) -> str | None:
    """What git says here; None if it says nothing, as in a copy without history."""
    done = subprocess.run(["git", *arguments], cwd=FOLDER, capture_output=True, check=False)
    return done.stdout.decode() if done.returncode == 0 else None


def test_released_document_is_that_of_the_last_tag() -> None:
    tag = _git("describe", "--tags", "--abbrev=0")
    if tag is None:
        pytest.skip("no tag has reached this copy")
    assert not MEANT, "what breaks clients of a release is not meant any more"
    tagged = _git("show", f"{tag.strip()}:openapi/openapi.yaml")
    assert RELEASED.read_text(encoding="utf-8") == tagged, (
        f"openapi/released.yaml is not what {tag.strip()} has as openapi/openapi.yaml"
    )


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.name)
def test_deliberate_change(change: Change) -> None:
    changed = copy.deepcopy(DOCUMENT)
    change.make(changed)
    lines = breaking(DOCUMENT, changed)
    if change.told is None:
        assert lines == []
    else:
        assert any(change.told in line for line in lines), lines


def test_unknown_keyword_is_not_passed_over() -> None:
    with pytest.raises(ValueError, match="prefixItems"):
        Comparison({}, {}).losses({"type": "array", "prefixItems": []}, {"type": "array"})


def test_schema_within_itself_comes_to_an_end() -> None:
    def tree(leaf: str) -> dict[str, object]:
        below = {"type": "array", "items": {"$ref": "#/tree"}}
        return {"tree": {"type": "object", "properties": {"leaf": {"type": leaf}, "below": below}}}

    root = {"$ref": "#/tree"}
    assert Comparison(tree("string"), tree("string")).losses(root, root) == []
    assert Comparison(tree("string"), tree("number")).losses(root, root) != []
