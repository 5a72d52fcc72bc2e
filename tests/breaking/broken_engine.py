"""The service with a rule engine that fails on demand; run like it: broken_engine.py --port N.

A case that has the id `raise`, `raise-hard` or `crash` meets an engine that raises what it should,
raises what nobody expects, or takes the process with it. The service itself has no such door.
"""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Iterable, Mapping
from threading import local
from typing import Any

from service.api import answers
from service.api.cases import assess_case
from service.commands.main import main
from service.inference.engine import Chainer
from service.inference.rules import Chaining, EngineError
from service.ruleset.catalogue import Catalogue

_asked = local()
_run = Chainer.run


def noted(catalogue: Catalogue, case: Mapping[str, Any], **options: Any) -> Any:
    """Remember what the case is called while it is assessed."""
    _asked.called = case.get("case_id")
    try:
        return assess_case(catalogue, dict(case), **options)
    finally:
        _asked.called = None


def failing(self: Chainer, tokens: Iterable[str]) -> Chaining:
    """The engine's way to chain, unless the case asks for another."""
    match getattr(_asked, "called", None):
        case "raise":
            raise EngineError("asked to fail")
        case "raise-hard":
            raise MemoryError
        case "crash":
            ctypes.string_at(0)  # SIGSEGV
    return _run(self, tokens)


if __name__ == "__main__":
    answers.assess_case = noted  # type: ignore[assignment]
    Chainer.run = failing  # type: ignore[method-assign]
    sys.argv[0] = "ohmpath"
    main()
