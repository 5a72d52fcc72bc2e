"""A tree in the language of Graphviz, to be laid out by it in whatever way is wanted."""

from __future__ import annotations

from graphviz import Digraph, escape

from service.graph.tree import Ask, LeftOut, Place, Tree, walk
from service.graph.words import explained, label, told, warnings

_SHAPES = {
    "fault-found": "doubleoctagon",
    "no-fault-found": "oval",
    "unresolved": "hexagon",
    "stop-work": "octagon",
}


def as_dot(tree: Tree) -> str:
    """The graph, lines ended by newlines; the same tree always gives the same text."""
    graph = Digraph(
        "order-of-checks",
        comment=" ".join(explained(tree)),
        graph_attr={"label": escape(tree.title), "labelloc": "t", "fontname": "sans-serif"},
        node_attr={"shape": "box", "fontname": "sans-serif"},
        edge_attr={"fontname": "sans-serif"},
    )
    for place in walk(tree):
        name = f"n{place.number}"
        lines = [
            f"⚠ {one.text}" if one.kind == "warning" else one.text
            for one in told(place, warnings(tree, place))
        ]
        graph.node(name, escape("\n".join(lines)), **_form(place))
        if place.parent is not None and place.way is not None:
            style = "dashed" if isinstance(place.node, LeftOut) else "solid"
            graph.edge(f"n{place.parent}", name, escape(label(place.way)), style=style)
    text: str = graph.source
    return text


def _form(place: Place) -> dict[str, str]:
    match place.node:
        case Ask():
            return {}
        case LeftOut():
            return {"style": "dashed"}
        case end:
            return {"shape": _SHAPES.get(end.status, "box")}
