"""From the rules that an engine says fired to the order of cause and effect, or a refusal.

An answer that passes here is the only one that the rules allow: every fired rule is reached from
the given tokens through fired rules, and no rule that should have fired is missing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from service.inference.rules import EngineError, Firing, TokenRule


def causal_order(
    stratum: Sequence[TokenRule], before: Iterable[str], fired: Iterable[int]
) -> tuple[Firing, ...]:
    """The firings of one stratum, causes first.

    `before` are the tokens that hold before the stratum, `fired` positions in it in any order.
    The result depends on the set `fired` alone: again and again the rules are passed in list
    order, and each whose premises hold by then comes next.

    Raises:
        EngineError: if a rule fired without its premises, or held them and did not fire.
    """
    have = set(before)
    firings: list[Firing] = []
    waiting = sorted(set(fired))
    while waiting:
        still: list[int] = []
        for index in waiting:
            rule = stratum[index]
            if have.issuperset(rule.all_of):
                have.update(rule.derives)
                firings.append(Firing(rule.id, rule.all_of, rule.none_of, rule.derives))
            else:
                still.append(index)
        if len(still) == len(waiting):
            raise EngineError(f"rule {stratum[still[0]].id} fired without its premises")
        waiting = still
    names = {firing.rule for firing in firings}
    for rule in stratum:
        holds = have.issuperset(rule.all_of) and have.isdisjoint(rule.none_of)
        if holds != (rule.id in names):
            done = "did not fire" if holds else "fired"
            raise EngineError(f"rule {rule.id} {done} against its premises")
    return tuple(firings)
