"""Rules built in a child process, which may hang or crash."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import asdict

from service.inference.rules import EngineError, TokenRule, checked_strata

_CHILD = """
import json, sys
job = json.load(sys.stdin)
sys.path[:] = job["path"]
from service.inference.engine import Chainer
from service.inference.rules import TokenRule
rules = [TokenRule(**{k: v if k == "id" else tuple(v) for k, v in r.items()}) for r in job["rules"]]
Chainer(rules).run({token for rule in rules for token in rule.all_of})
"""


def build_within(rules: Sequence[TokenRule], seconds: float) -> None:
    """Build a rule list and run it once in a fresh child process, which may hang or crash.

    `seconds` covers the child's start too.

    Raises:
        RuleListError: an author's mistake, found before any child is started.
        EngineError: the child did not finish in time, or failed.
    """
    checked_strata(rules)
    job = json.dumps({"path": sys.path, "rules": [asdict(rule) for rule in rules]})
    try:
        child = subprocess.run(
            [sys.executable, "-I", "-c", _CHILD],
            input=job,
            capture_output=True,
            text=True,
            timeout=seconds,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise EngineError(f"the rules were not built within {seconds:g} s") from error
    if child.returncode != 0:
        lines = child.stderr.strip().splitlines() or ["no message"]
        raise EngineError(f"building the rules ended with {child.returncode}: {lines[-1]}")
