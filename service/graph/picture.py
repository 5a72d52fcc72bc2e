"""A tree as SVG, to be looked at on a screen or on paper, with or without colours. All in px."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from xml.etree import ElementTree as ET  # nosec B405 # it writes XML and reads none

from service.graph.layout import arrange
from service.graph.tree import Ask, End, LeftOut, Place, Tree, Warned, walk
from service.graph.words import (
    HEADS,
    by_signal_word,
    clean,
    explained,
    label,
    percent,
    told,
    width,
    wrapped,
)

SIZE = 12.0  # of the type
LEADING = 15.0
MARGIN = 20.0
NODE = 280.0  # wide
INSET = 10.0  # of the text in a node
SIGN = 15.0  # room for the sign before a warning
STUB = 14.0  # from a check to the line that its branches lead away from
ENTRY = 17.0  # how far below its upper edge a line enters or leaves a node
TRUNK = 26.0  # how far from its left edge a line leads down
CORNER = 9.0
ARROW = 7.0
LEAST_WIDE = 700.0
MOST_LINES = 10  # of one text in a node
MOST_NOTES = 10  # and below the drawing
MOST_NOTE = 1200  # characters

STYLE = """
text { font: 12px sans-serif; fill: #111 }
.title { font-size: 17px; font-weight: bold }
.head { font-weight: bold }
.aside { fill: #444; font-style: italic }
.way { fill: none; stroke: #333 }
.arrow, .sign { fill: #333 }
.node { fill: #fff; stroke: #111 }
.fault-found { fill: #e9f1fa }
.no-fault-found { fill: #eaf6ea }
.unresolved { fill: #fff7dc; stroke-dasharray: 7 3 }
.stop-work { fill: #fde9e7; stroke-width: 3 }
.left-out { fill: none; stroke: #555; stroke-dasharray: 2 3 }
"""

Attributes = Mapping[str, float | str]
Written = tuple[str, str]  # class and text of a line


def as_svg(tree: Tree) -> bytes:
    """The drawing as an SVG document in UTF-8; the same tree always gives the same bytes."""
    return _Drawing(tree).document()


class _Drawing:
    """Where everything stands, and the elements that draw it."""

    def __init__(self, tree: Tree) -> None:
        self._tree = tree
        self._places = list(walk(tree))
        self._numbers = _numbered(tree, self._places)
        self._blocks = [self._block(place) for place in self._places]
        self._heights = [LEADING * len(block) + INSET for block in self._blocks]
        self._spots = arrange(self._places, self._heights)
        self._lefts = self._columns()
        self._wide = max(self._lefts[-1] + NODE + MARGIN, LEAST_WIDE)
        self._key = self._wrapped(_key(tree), MOST_LINES)
        self._top = MARGIN + (len(self._key) + 3) * LEADING

    def document(self) -> bytes:
        """The elements, from top to bottom."""
        notes = self._wrapped(self._notes(), MOST_NOTES)
        ends = zip(self._spots, self._heights, strict=True)
        bottom = self._top + max(spot.top + height for spot, height in ends) + 2 * LEADING
        svg = self._svg(bottom + len(notes) * LEADING + MARGIN)
        _write(svg, MARGIN, MARGIN, [("title", _title(self._tree))])
        _write(svg, MARGIN, MARGIN + 2 * LEADING, self._key)
        for place in self._places:
            self._way(svg, place)
        for place in self._places:
            self._node(svg, place)
        _write(svg, MARGIN, bottom, notes)
        ET.indent(svg, " ")
        written: bytes = ET.tostring(svg, encoding="utf-8", xml_declaration=True)
        return written + b"\n"

    def _wrapped(self, texts: Iterable[str], most: int) -> list[Written]:
        """Texts as wide as the drawing."""
        room = self._wide - 2 * MARGIN
        return [("", line) for one in texts for line in wrapped(one, SIZE, room, most)]

    def _svg(self, high: float) -> ET.Element:
        wide, tall = f"{self._wide:g}", f"{high:g}"
        svg = ET.Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "width": wide,
                "height": tall,
                "viewBox": f"0 0 {wide} {tall}",
                "role": "img",
                "aria-labelledby": "title description",
            },
        )
        _add(svg, "title", {"id": "title"}, _title(self._tree))
        description = [*explained(self._tree), "A Mermaid flowchart has the same as text."]
        _add(svg, "desc", {"id": "description"}, " ".join(description))
        _add(svg, "style", {}, STYLE)
        _add(svg, "rect", {"width": "100%", "height": "100%", "fill": "#fff"})
        return svg

    def _columns(self) -> list[float]:
        """The left edge of each column: between two there is room for what stands at the ways."""
        rooms = [0.0] * (1 + max(spot.column for spot in self._spots))
        for place, spot in zip(self._places, self._spots, strict=True):
            if place.way is not None and not place.down:
                wide = math.ceil(width(label(place.way), SIZE) + STUB + 2 * ARROW)
                rooms[spot.column] = max(rooms[spot.column], wide)
        lefts = [MARGIN]
        for room in rooms[1:]:
            lefts.append(lefts[-1] + NODE + room)
        return lefts

    def _corner(self, number: int) -> tuple[float, float]:
        spot = self._spots[number]
        return self._lefts[spot.column], self._top + spot.top

    def _block(self, place: Place) -> list[Written]:
        """The lines of a node as they are written."""
        out: list[Written] = []
        for line in told(place, self._warnings(place)):
            warning, head = line.kind == "warning", line.kind == "head"
            room = NODE - 2 * INSET - (SIGN if warning else 0.0)
            kind = "aside" if isinstance(place.node, LeftOut) else line.kind
            for i, one in enumerate(wrapped(line.text, SIZE, room, MOST_LINES, bold=head)):
                out.append(("more" if warning and i else kind, one))
        return out

    def _warnings(self, place: Place) -> list[str]:
        """The signal words of a check's precautions, with the numbers of their texts below."""
        if not isinstance(place.node, Ask):
            return []
        here = [one for one in place.node.precautions if one.id in self._numbers]
        words = [
            f"{word} {', '.join(str(self._numbers[one.id]) for one in several)}"
            for word, several in by_signal_word(here).items()
        ]
        return [", ".join(words)] if words else []

    def _notes(self) -> list[str]:
        """The precautions that the drawing names, in full; first those of every check."""
        found = _precautions(self._places)
        always = [one for one in found.values() if one.id not in self._numbers]
        out = [f"At every check: {one.signal_word}, {one.text}" for one in always]
        for name, number in self._numbers.items():
            out.append(f"{number}  {found[name].signal_word}, {name}: {found[name].text}")
        return [clean(one, MOST_NOTE) for one in out]

    def _way(self, svg: ET.Element, place: Place) -> None:
        """The line that leads to a node, the thicker the likelier, and the outcome beside it."""
        if place.parent is None or place.way is None:
            return
        (x, y), (above_x, above_y) = self._corner(place.number), self._corner(place.parent)
        half = ARROW / 2
        if place.down:
            start, trunk = above_y + self._heights[place.parent], above_x + TRUNK
            course = f"M{trunk:g} {start:g}V{y - ARROW:g}"
            tip = [(trunk, y), (trunk - half, y - ARROW), (trunk + half, y - ARROW)]
            at = {"x": trunk + ARROW, "y": start + LEADING}
        else:
            start, bus, entry = above_x + NODE, above_x + NODE + STUB, y + ENTRY
            course = f"M{start:g} {above_y + ENTRY:g}H{bus:g}V{entry:g}H{x - ARROW:g}"
            tip = [(x, entry), (x - ARROW, entry - half), (x - ARROW, entry + half)]
            at = {"x": bus + ARROW, "y": entry - 4}
        thick = 1.0 + 3.0 * place.node.chance
        _add(svg, "path", {"class": "way", "d": course, "stroke-width": round(thick, 1)})
        _add(svg, "path", {"class": "arrow", "d": _closed(tip)})
        _add(svg, "text", at, label(place.way))

    def _node(self, svg: ET.Element, place: Place) -> None:
        """The shape and the text of a node. A pointer shows all of the text, and how many come."""
        x, y = self._corner(place.number)
        group = _add(svg, "g", {})
        whole = [line.text for line in told(place, self._warnings(place))]
        share = f"{percent(place.node.chance)} of visits come here."
        _add(group, "title", {}, "\n".join([*whole, share]))
        _shape(group, place, x, y, self._heights[place.number])
        block = self._blocks[place.number]
        for i, (kind, _) in enumerate(block):
            if kind == "warning":
                _sign(group, x + INSET, y + INSET / 2 + LEADING * i)
        _write(group, x + INSET, y + INSET / 2, block)


def _shape(group: ET.Element, place: Place, x: float, y: float, high: float) -> None:
    """Each kind of node in a shape of its own, so that none is told by its colour alone."""
    right, low, c = x + NODE, y + high, CORNER
    kind = "left-out" if isinstance(place.node, LeftOut) else "check"
    if isinstance(place.node, End) and place.node.status in HEADS:
        kind = place.node.status
    look: Attributes = {"class": f"node {kind}"}
    box: Attributes = {**look, "x": x, "y": y, "width": NODE, "height": high}
    match kind:
        case "fault-found":  # a double line
            _add(group, "rect", box)
            inner = {"x": x + 3, "y": y + 3, "width": NODE - 6, "height": high - 6}
            _add(group, "rect", {**look, **inner})
        case "no-fault-found":  # round
            _add(group, "rect", {**box, "rx": min(high / 2, 16.0)})
        case "stop-work":  # the corners cut off
            points = [(x + c, y), (right - c, y), (right, y + c), (right, low - c)]
            points += [(right - c, low), (x + c, low), (x, low - c), (x, y + c)]
            _add(group, "path", {**look, "d": _closed(points)})
        case "unresolved":  # a point to the right
            points = [(x, y), (right - c, y), (right, (y + low) / 2), (right - c, low), (x, low)]
            _add(group, "path", {**look, "d": _closed(points)})
        case _:
            _add(group, "rect", box)


def _sign(group: ET.Element, x: float, y: float) -> None:
    """A triangle with an exclamation mark, drawn: not every font has one."""
    corners = [(x, y + 12.5), (x + 6, y + 2), (x + 12, y + 12.5)]
    _add(group, "path", {"class": "sign", "d": _closed(corners)})
    mark = f"M{x + 6:g} {y + 5.5:g}v3.4m0 1v1.6"
    _add(group, "path", {"stroke": "#fff", "stroke-width": 1.6, "d": mark})


def _write(parent: ET.Element, x: float, y: float, lines: Sequence[Written]) -> None:
    """Lines of text below `y`."""
    for i, (kind, line) in enumerate(lines):
        indent = SIGN if kind in ("warning", "more") else 0.0
        look = {"class": kind} if kind in ("title", "head", "aside") else {}
        at = {"x": x + indent, "y": y + LEADING * (i + 1) - 4}
        _add(parent, "text", {**look, **at}, line)


def _closed(points: Sequence[tuple[float, float]]) -> str:
    """The path around these points."""
    return "M" + "L".join(f"{x:g} {y:g}" for x, y in points) + "Z"


def _add(parent: ET.Element, name: str, attributes: Attributes, text: str = "") -> ET.Element:
    """A new element in another."""
    written = {
        key: value if isinstance(value, str) else f"{value:g}" for key, value in attributes.items()
    }
    element = ET.SubElement(parent, name, written)
    element.text = text or None
    return element


def _title(tree: Tree) -> str:
    return clean(f"{tree.title}: the order of checks")


def _key(tree: Tree) -> list[str]:
    way = (
        "The likeliest outcome that goes on leads down, all others to the right; the thicker a "
        "line, the more visits come that way. The numbers behind signal words are those of the "
        "precautions below."
    )
    return [*explained(tree), way]


def _precautions(places: Sequence[Place]) -> dict[str, Warned]:
    """Every precaution of the checks drawn, by id, in the order in which they are met."""
    out: dict[str, Warned] = {}
    for place in places:
        if isinstance(place.node, Ask):
            for one in place.node.precautions:
                out.setdefault(one.id, one)
    return out


def _numbered(tree: Tree, places: Sequence[Place]) -> dict[str, int]:
    """The numbers of the precautions, but for those that stand in every answer."""
    named = [one for one in _precautions(places) if one not in tree.always]
    return {one: number for number, one in enumerate(named, 1)}
