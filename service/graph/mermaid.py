"""A tree as a Mermaid flowchart, in plain text."""

from __future__ import annotations

import re

from service.graph.tree import Ask, LeftOut, Place, Tree, walk
from service.graph.words import Line, clean, explained, label, told, warnings

# What may not stand in a quoted text as it is: it goes as `#number;`, so that no text of a rule set
# can end the quotes or be taken for markup, a directive or a style.
_SPECIAL = re.compile(r"[^\w ,.()/+=°²…%:-]|%(?=%)|(?<=%)%|:(?! )")

_SHAPES = {
    "fault-found": ('[["', '"]]'),
    "no-fault-found": ('(["', '"])'),
    "unresolved": ('{{"', '"}}'),
    "stop-work": ('[/"', '"\\]'),
}
_CHECK = ('["', '"]')
_LEFT_OUT = ('>"', '"]')


def as_mermaid(tree: Tree) -> str:
    """The flowchart, lines ended by newlines; the same tree always gives the same text."""
    out = ["flowchart TB"]
    out.append(f"  accTitle: {_spelt(tree.title)}")
    out += [f"  %% {_spelt(one)}" for one in explained(tree)]
    for place in walk(tree):
        opening, closing = _shape(place)
        text = "<br/>".join(_quoted(line) for line in told(place, warnings(tree, place)))
        out.append(f"  n{place.number}{opening}{text}{closing}")
        if place.parent is not None and place.way is not None:
            arrow = "-.->" if isinstance(place.node, LeftOut) else "-->"
            outcome = _quoted(Line("text", label(place.way)))
            out.append(f'  n{place.parent} {arrow}|"{outcome}"| n{place.number}')
    return "\n".join(out) + "\n"


def _shape(place: Place) -> tuple[str, str]:
    match place.node:
        case Ask():
            return _CHECK
        case LeftOut():
            return _LEFT_OUT
        case end:
            return _SHAPES.get(end.status, _CHECK)


def _quoted(line: Line) -> str:
    text = _SPECIAL.sub(lambda found: f"#{ord(found[0])};", line.text)
    return f"⚠ {text}" if line.kind == "warning" else text


def _spelt(text: str) -> str:
    """For the title and comments, in which nothing can be escaped."""
    return clean(_SPECIAL.sub(" ", text))
