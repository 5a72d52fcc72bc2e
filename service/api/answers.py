"""From the bytes of a request to those of its answer, which depend on nothing else."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import _lru_cache_wrapper, lru_cache
from threading import Lock
from typing import Any, NamedTuple
from weakref import WeakKeyDictionary, ref

from service.api.cases import assess_case, load_case
from service.at_work import working
from service.documents import Written, dump_json, parse_json
from service.ruleset.catalogue import Catalogue


class Answered(NamedTuple):
    """An answer in bytes, and what is counted of it.

    Nothing in it holds anything else: what is kept in thousands and changes all the time would
    otherwise have the garbage collector look through all of it, time and again.
    """

    body: bytes
    rule_set: str
    status: str
    fault: str | None


# Of so many requests the answer is kept, for those that send the very same bytes once more, if
# these are no more than so many: some 16 kB each.
_KEPT = 2048
_MOST_BYTES = 8192

# Held while a longer body is read and loaded: as values it may take 33 times its room, and nothing
# is lost, since one thread works at a time in any case.
_LARGE = Lock()

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


def worked_out(catalogue: Catalogue, raw: bytes) -> tuple[dict[str, Any], Written]:
    """The case in a body, and its assessment. Raises Problem."""
    with working():
        if len(raw) <= _MOST_BYTES:
            case = load_case(parse_json(raw, len(raw)))
        else:
            with _LARGE:
                case = load_case(parse_json(raw, len(raw)))
        return case, assess_case(catalogue, case)


def counted(answer: Mapping[str, Any]) -> tuple[str, str, str | None]:
    """Rule set, status and fault of an assessment."""
    verdict = answer["verdict"]
    return answer["rule_set"]["id"], answer["status"], verdict and verdict["fault"]


def _answer(catalogue: Catalogue, raw: bytes) -> Answered:
    _, answer = worked_out(catalogue, raw)
    return Answered(memoryview(dump_json(answer)).tobytes(), *counted(answer))
