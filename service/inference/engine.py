"""The one adapter to durable-rules: forward chaining over tokens, made safe.

The engine never sees a token. Each stratum of the rule list is a `Ruleset` of its own, in which
every premise is a field that this module names (`t7`: token 7 holds, `n7`: it does not), so no
text from outside can meet the engine's own fields, its limits on names, or its comparison of
names by a 32-bit hash. A field per premise also proved faster than one field for all tokens or
one per kind of token (tests/bench/bench_inference.py). Negation is a fact like any other, told
before its stratum runs; the engine's own `$not` is not used.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import count
from threading import Lock
from typing import Any
from weakref import finalize

import durable_rules_engine  # type: ignore[import-not-found]
from durable.engine import Ruleset  # type: ignore[import-untyped]

from service.inference.causal import causal_order
from service.inference.rules import (
    Chaining,
    EngineError,
    Firing,
    TokenRule,
    checked_strata,
    token_fault,
)

Strata = tuple[tuple[TokenRule, ...], ...]

SENTINEL = "s"


class Chainer:
    """A rule list made ready. Safe to share between threads and across a fork."""

    def __init__(self, rules: Sequence[TokenRule], *, memo_size: int = 4096) -> None:
        """Check the rules; the engine itself is built at the first run.

        Raises:
            RuleListError: an author's mistake (see `service.inference.rules`).
        """
        self._strata = checked_strata(rules)
        self._memo_size = memo_size
        self._premises = frozenset(
            token for rule in rules for token in (*rule.all_of, *rule.none_of)
        )
        self._known = self._premises.union(*(rule.derives for rule in rules))
        self._process = _Process(self._strata, memo_size)

    def run(self, tokens: Iterable[str]) -> Chaining:
        """Chain forward from a set of tokens.

        Raises:
            ValueError: a malformed token.
            EngineError: the engine failed, or its answer does not follow from the rules.
        """
        given = frozenset(tokens)
        for token in given - self._known:
            fault = token_fault(token)
            if fault is not None:
                raise ValueError(fault)
        process = self._process
        if process.pid != os.getpid():
            process = self._process = _Process(self._strata, self._memo_size)
        try:
            firings = process.firings(given & self._premises)
        except EngineError:
            # A step of the clock ends an action without a word; a second try costs little, and
            # what is wrong with the engine itself shows again.
            firings = process.firings(given & self._premises)
        return Chaining(given.union(*(firing.derived for firing in firings)), firings)


class _Process:
    """What must not cross a fork: the engine, its lock (a lost thread may hold it), the memos."""

    def __init__(self, strata: Strata, memo_size: int) -> None:
        self.pid = os.getpid()
        self._strata = strata
        self._premises = [
            frozenset(token for rule in rules for token in (*rule.all_of, *rule.none_of))
            for rules in strata
        ]
        self._lock = Lock()
        self._engines: tuple[_StratumEngine, ...] | None = None
        self._sids = count()
        self.firings: Callable[[frozenset[str]], tuple[Firing, ...]] = lru_cache(memo_size)(
            self._chain
        )
        # Most strata have few premises: what they are told of many cases is the same.
        self._of: Callable[[int, frozenset[str]], tuple[Firing, ...]] = lru_cache(memo_size)(
            self._run
        )

    def _chain(self, given: frozenset[str]) -> tuple[Firing, ...]:
        have = given
        firings: list[Firing] = []
        with self._lock:
            for at, premises in enumerate(self._premises):
                fired = self._of(at, have & premises)
                have = have.union(*(firing.derived for firing in fired))
                firings += fired
        return tuple(firings)

    def _run(self, at: int, have: frozenset[str]) -> tuple[Firing, ...]:
        """The firings of one stratum on those of its premises that hold."""
        if self._engines is None:
            self._engines = _build(self._strata)
        engine = self._engines[at]
        try:
            fired = engine.run(str(next(self._sids)), have)
        finally:
            if not engine.usable:
                self._engines = None
        return causal_order(engine.rules, have, fired)


def _build(strata: Strata) -> tuple[_StratumEngine, ...]:
    try:
        return tuple(_StratumEngine(stratum) for stratum in strata)
    except Exception as error:
        raise EngineError(f"the engine refused the rules: {error}") from error


@dataclass(slots=True)
class _Run:
    """One run of one stratum."""

    sid: str
    have: set[str]
    open: bool = False
    fired: list[int] = field(default_factory=list)
    error: BaseException | None = None
    ended: bool = False

    def end(self, error: BaseException | None, _state: object) -> None:
        self.ended = True
        self.error = self.error or error


class _StratumEngine:
    """A stratum as a `Ruleset` of positive joins, with at most one live state."""

    def __init__(self, rules: Sequence[TokenRule]) -> None:
        self.rules = rules
        self.usable = True  # until a state is left behind that can't be deleted
        present = sorted({token for rule in rules for token in rule.all_of})
        absent = sorted({token for rule in rules for token in rule.none_of})
        self._present = {token: f"t{number}" for number, token in enumerate(present)}
        self._absent = {token: f"n{number}" for number, token in enumerate(absent)}
        self._current = _Run("", set())
        definitions: dict[str, Any] = {SENTINEL: _join([SENTINEL], SENTINEL)}
        for index, rule in enumerate(rules):
            # Without duplicates: the engine wants a different fact for each premise of a join.
            tests = [
                *(self._present[token] for token in dict.fromkeys(rule.all_of)),
                *(self._absent[token] for token in dict.fromkeys(rule.none_of)),
            ]
            definitions[f"r{index}"] = _join(tests or [SENTINEL], str(index))
        self._ruleset = Ruleset("chaining", self, definitions)
        # The Python side never frees a rule set: about a megabyte for a hundred rules.
        freed = finalize(self, durable_rules_engine.delete_ruleset, self._ruleset._handle)
        freed.atexit = False

    def get_action(self, name: str) -> Callable[[object], None]:
        """The engine's way to find an action by the name in a rule's `run`."""
        if name == SENTINEL:
            return lambda _context: self._opened()
        index = int(name)
        return lambda _context: self._fire(index)

    def run(self, sid: str, have: frozenset[str]) -> list[int]:
        """The positions of the rules that fire on the tokens, in the engine's order.

        Raises:
            EngineError: whatever went wrong in the engine or in an action.
        """
        current = self._current = _Run(sid, set(have))
        facts = [test for token, test in self._present.items() if token in have]
        facts += [test for token, test in self._absent.items() if token not in have]
        try:
            handle = self._tell(SENTINEL)
            # Deleting a state in which nothing has fired would end the process: fire first.
            self._act(handle)
            for test in facts:
                self._tell(test)
            if facts:
                self._act(handle)
        except Exception as error:
            current.error = current.error or error
        finally:
            self._close(current)
        if current.error is not None and not isinstance(current.error, Exception):
            raise current.error  # the engine swallows an interrupt or exit inside an action
        if current.error is not None:
            raise EngineError(f"the engine failed: {current.error}") from current.error
        return current.fired

    def _act(self, handle: int) -> None:
        current = self._current
        current.ended = False
        self._ruleset.do_actions(handle, current.end)
        # The engine gives up without a word if the clock moves by ten seconds during an action.
        if not current.ended or not current.open:
            raise EngineError("it did not finish its actions")

    def _close(self, current: _Run) -> None:
        self.usable = False
        if current.open:
            try:
                self._ruleset.delete_state(current.sid)
                self.usable = True
            except Exception as error:
                current.error = current.error or error

    def _tell(self, test: str) -> int:
        handle: int = self._ruleset.assert_fact({test: "y", "id": test, "sid": self._current.sid})
        return handle

    def _opened(self) -> None:
        self._current.open = True

    def _fire(self, index: int) -> None:
        current = self._current
        if current.error is not None:
            return  # tell nothing more, so that the engine runs dry
        try:
            if index in current.fired:
                raise EngineError(f"rule {self.rules[index].id} fired twice")
            current.fired.append(index)
            for token in self.rules[index].derives:
                if token not in current.have:
                    current.have.add(token)
                    if token in self._present:
                        self._tell(self._present[token])
        except BaseException as error:  # the engine would swallow it
            current.error = error


def _join(tests: Sequence[str], action: str) -> dict[str, Any]:
    return {"all": [{f"m{at}": {test: "y"}} for at, test in enumerate(tests)], "run": action}
