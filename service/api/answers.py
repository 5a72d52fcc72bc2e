"""From the bytes of a request to those of its answer, which depend on nothing else."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import _lru_cache_wrapper, lru_cache
from typing import Any, NamedTuple
from weakref import WeakKeyDictionary, ref

from service.api.cases import assess_case, load_case
from service.documents import dump_json, parse_json
from service.ruleset.catalogue import Catalogue


class Answered(NamedTuple):
    """A case, its assessment, and that in bytes. Kept, and shared: not to be changed."""

    case: Mapping[str, Any]
    answer: Mapping[str, Any]
    body: bytes


# Of so many requests the answer is kept, for those that send the very same bytes once more, if
# these are no more than so many: some 30 kB each.
_KEPT = 2048
_MOST_BYTES = 8192

_answers: WeakKeyDictionary[Catalogue, _lru_cache_wrapper[Answered]] = WeakKeyDictionary()


def answered(catalogue: Catalogue, raw: bytes) -> Answered:
    """What follows from a body, which is all that an answer rests on. Raises Problem."""
    return kept(catalogue)(raw) if len(raw) <= _MOST_BYTES else _answer(catalogue, raw)


def kept(catalogue: Catalogue) -> _lru_cache_wrapper[Answered]:
    """`answered` for short bodies, and for as long as these rule sets are there."""
    known = _answers.get(catalogue)
    if known is None:
        known = _answers[catalogue] = lru_cache(_KEPT)(_answering(catalogue))
    return known


def _answering(catalogue: Catalogue) -> Callable[[bytes], Answered]:
    weak = ref(catalogue)  # or what is kept for a catalogue would keep it

    def answering(raw: bytes) -> Answered:
        alive = weak()
        assert alive is not None, "whoever asks has it"
        return _answer(alive, raw)

    return answering


def _answer(catalogue: Catalogue, raw: bytes) -> Answered:
    case = load_case(parse_json(raw, len(raw)))
    answer = assess_case(catalogue, case)
    return Answered(case, answer, dump_json(answer))
