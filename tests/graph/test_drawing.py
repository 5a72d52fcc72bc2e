"""Both forms of a drawing: well-formed whatever a rule set holds, and fit to be read."""

from __future__ import annotations

import re
from itertools import combinations
from xml.etree import ElementTree as ET

import pytest
from matplotlib import font_manager
from matplotlib.ft2font import FT2Font
from pygraphviz import AGraph

from service.graph import picture
from service.graph.dot import as_dot
from service.graph.layout import BESIDE
from service.graph.mermaid import as_mermaid
from service.graph.picture import as_svg
from service.graph.tree import Ask, End, Found, LeftOut, Tree, Warned, Way, walk
from service.graph.words import clean, percent, told, wrapped
from tests.graph.visits import Drawn

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = [
    '<script>alert(1)</script>"]; click n0 href "javascript:alert(1)"',
    "%%{init: {'securityLevel': 'loose'}}%%",
    "a\nb\r\n  n9 --> n8 \u2028\u202eevil\x00\x1b",
    '`**md**` #quot; &amp; <img src=x onerror="alert(1)">',
    "style a:#fff; classDef x:#000;",
    "end",
    "x" * 50_000,
    "half \ud800 of a pair",
    "漢字" * 200,
    "a|b]c}d)e ]]> -->",
    "---\ntitle: x\n---",
    "\x00\n",
    "",
]
STATUSES = ["fault-found", "no-fault-found", "unresolved", "stop-work", HOSTILE[0]]


def hostile() -> Tree:
    """A tree in which every text is hostile."""
    share = 1.0 / (2 * len(HOSTILE) + 1)
    warned = tuple(
        Warned(text, "DANGER" if i % 2 else text, text) for i, text in enumerate(HOSTILE)
    )
    ways = []
    for i, text in enumerate(HOSTILE):
        found = Found(text, text, 0.9, text)
        status = STATUSES[i % len(STATUSES)]
        end = End(status, share, found if i % 3 else None, (found,) * (i % 2), text)
        more = Ask(text, text, True, (), warned, share, (Way((text, text), 1.0, LeftOut(share)),))
        ways += [Way((text,), share, end), Way((text,), share, more)]
    ways.append(Way(tuple(HOSTILE), share, LeftOut(share)))
    root = Ask(HOSTILE[0], HOSTILE[1], False, tuple(HOSTILE), warned, 1.0, tuple(ways))
    return Tree(*HOSTILE[:5], 0.05, False, (HOSTILE[5],), root)


# -- Graphviz -----------------------------------------------------------------------------------


def check_dot(tree: Tree) -> None:
    """Graphviz itself reads every node and edge of the tree, once, and no markup."""
    graph = AGraph(string=as_dot(tree))
    places = list(walk(tree))
    assert sorted(graph.nodes()) == sorted(f"n{place.number}" for place in places)
    assert sorted(graph.edges()) == sorted(
        (f"n{place.parent}", f"n{place.number}") for place in places if place.parent is not None
    )
    for one in (*graph.nodes(), *graph.edges()):
        assert set(one.attr) <= {"label", "shape", "style"}
        assert not (one.attr["label"] or "").startswith("<<")


def test_graphviz_text_is_the_tree(drawn: Drawn) -> None:
    check_dot(drawn.tree)
    text = as_dot(drawn.tree)
    for place in walk(drawn.tree):
        if isinstance(place.node, Ask):
            assert clean(place.node.title) in text


def test_hostile_texts_stay_text_in_graphviz() -> None:
    check_dot(hostile())
    assert len(as_dot(hostile())) < 200_000


# -- Mermaid --------------------------------------------------------------------------------------

TEXT = r'"((?:[^"#<>`{}\[\]|;]|#\d+;|<br/>)*)"'
SHAPES = [
    rf"\[{TEXT}\]",
    rf"\[\[{TEXT}\]\]",
    rf"\(\[{TEXT}\]\)",
    rf"\{{\{{{TEXT}\}}\}}",
    rf"\[/{TEXT}\\\]",
    rf">{TEXT}\]",
]
DEFINED = [re.compile(rf"  n(\d+){shape}") for shape in SHAPES]
EDGE = re.compile(rf"  n(\d+) (-->|-\.->)\|{TEXT}\| n(\d+)")
ASIDE = re.compile(r"  (%%|accTitle:) [^%#{}<>\[\]\"`;|]*(\d %[^%{}<>\"`;|]*)?")


def read_mermaid(text: str) -> tuple[dict[int, str], list[tuple[int, int, str]]]:
    """The nodes and edges of a flowchart. Fails at a line that is neither."""
    first, *lines = text.splitlines()
    assert first == "flowchart TB"
    nodes: dict[int, str] = {}
    edges: list[tuple[int, int, str]] = []
    for line in lines:
        if ASIDE.fullmatch(line):
            continue
        edge = EDGE.fullmatch(line)
        if edge:
            edges.append((int(edge[1]), int(edge[4]), edge[3]))
            continue
        found = [one for pattern in DEFINED if (one := pattern.fullmatch(line))]
        assert len(found) == 1, line
        assert "%%" not in line
        number = int(found[0][1])
        assert number not in nodes
        nodes[number] = found[0][2]
    assert text.isprintable() or set(text) - set(filter(str.isprintable, text)) == {"\n"}
    return nodes, edges


def check_mermaid(tree: Tree) -> dict[int, str]:
    nodes, edges = read_mermaid(as_mermaid(tree))
    places = list(walk(tree))
    assert sorted(nodes) == [place.number for place in places]
    assert [(a, b) for a, b, _ in edges] == [
        (place.parent, place.number) for place in places if place.parent is not None
    ]
    return nodes


def test_mermaid_is_well_formed(drawn: Drawn) -> None:
    nodes = check_mermaid(drawn.tree)
    for place in walk(drawn.tree):
        text = nodes[place.number]
        if isinstance(place.node, Ask):
            for one in place.node.precautions:
                assert (one.id in text) == (one.id not in drawn.tree.always)
            if place.node.first:
                assert f"⚠ First confirm: {', '.join(place.node.first)}" in text
        elif isinstance(place.node, End) and place.node.verdict:
            sure = percent(place.node.verdict.confidence).replace(">", "#62;")
            assert f"FAULT FOUND, {sure}" in text
        elif isinstance(place.node, LeftOut):
            assert place.way is not None
            assert text == f"Not followed: {', '.join(place.way.outcomes)}"


def test_mermaid_takes_no_text_for_anything_else() -> None:
    check_mermaid(hostile())
    assert len(as_mermaid(hostile())) < 200_000


# -- SVG ------------------------------------------------------------------------------------------


def elements(tree: Tree) -> ET.Element:
    document = as_svg(tree)
    assert b"<!" not in document
    assert b"href" not in re.sub(rb">[^<]*<", b"><", document)
    root = ET.fromstring(document)
    drawn = {"svg", "title", "desc", "style", "rect", "g", "path", "text"}
    assert {one.tag for one in root.iter()} == {SVG + name for name in drawn}
    known = {"id", "class", "d", "x", "y", "rx", "width", "height", "fill", "stroke"}
    known |= {"stroke-width", "role", "aria-labelledby", "viewBox"}
    assert {name for one in root.iter() for name in one.attrib} <= known
    return root


def all_text(root: ET.Element) -> str:
    return " ".join(one.text or "" for one in root.iter(SVG + "text"))


def test_svg_says_what_it_is(drawn: Drawn) -> None:
    root = elements(drawn.tree)
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == "title description"
    title, description = root[0], root[1]
    assert (title.tag, title.get("id")) == (SVG + "title", "title")
    assert (description.tag, description.get("id")) == (SVG + "desc", "description")
    assert title.text == f"{drawn.tree.title}: the order of checks"
    assert description.text is not None
    assert "less than 5 % of visits" in description.text
    style = next(root.iter(SVG + "style")).text or ""
    assert "url(" not in style
    assert "@" not in style


def test_svg_has_the_words_and_the_precautions_of_every_node(drawn: Drawn) -> None:
    root = elements(drawn.tree)
    text = " ".join(all_text(root).split())
    for place in walk(drawn.tree):
        for line in told(place, []):
            for word in line.text.split():
                assert word in text
    numbers = dict(re.findall(r"(?:^| )(\d+) [A-Z]+, ([a-z-]+): ", text))
    by_id = {name: number for number, name in numbers.items()}
    groups = [one for one in root.iter(SVG + "g") if one.find(SVG + "title") is not None]
    places = list(walk(drawn.tree))
    assert len(groups) == len(places)
    for group, place in zip(groups, places, strict=True):
        if not isinstance(place.node, Ask):
            continue
        marked = " ".join(all_text(group).split())
        for one in place.node.precautions:
            if one.id in drawn.tree.always:
                assert f"At every check: {one.signal_word}, {one.text}" in text
            else:
                assert re.search(rf"{one.signal_word} [\d, ]*\b{by_id[one.id]}\b", marked)
                assert f"{one.signal_word}, {one.id}: {one.text}" in text


def test_each_kind_of_end_has_a_shape_of_its_own() -> None:
    shapes = {}
    for group in elements(hostile()).iter(SVG + "g"):
        drawn = [one for one in group if (one.get("class") or "").startswith("node")]
        if drawn:
            (kind,) = {one.get("class") for one in drawn}
            outline = re.sub(r"[\d. -]", "", drawn[0].get("d", ""))
            shapes[kind] = (len(drawn), drawn[0].tag, outline, "rx" in drawn[0].attrib)
    style = picture.STYLE
    assert ".left-out { fill: none; stroke: #555; stroke-dasharray" in style
    shapes.pop("node left-out")  # told from a check by its dotted outline
    assert set(shapes) == {"node check", *(f"node {one}" for one in STATUSES[:4])}
    assert len(set(shapes.values())) == len(shapes)


def test_svg_escapes_whatever_a_rule_set_holds() -> None:
    root = elements(hostile())
    assert "<script>alert(1)</script>" in all_text(root)
    assert len(as_svg(hostile())) < 500_000


def test_the_same_tree_gives_the_same_bytes(drawn: Drawn) -> None:
    assert as_svg(drawn.tree) == as_svg(drawn.tree)
    assert as_mermaid(drawn.tree) == as_mermaid(drawn.tree)


def boxes(root: ET.Element) -> list[tuple[float, float, float, float]]:
    """Left, upper, right and lower edge of each node."""
    out = []
    for group in root.iter(SVG + "g"):
        node = next((one for one in group if (one.get("class") or "").startswith("node")), None)
        if node is None:
            continue
        if node.tag == SVG + "rect":
            x, y, wide, high = (float(node.attrib[n]) for n in ("x", "y", "width", "height"))
            out.append((x, y, x + wide, y + high))
        else:
            pairs = re.findall(r"([\d.]+) ([\d.]+)", node.attrib["d"])
            xs, ys = [float(x) for x, _ in pairs], [float(y) for _, y in pairs]
            out.append((min(xs), min(ys), max(xs), max(ys)))
    return out


Segment = tuple[float, float, float, float]  # left, upper, right, lower end


def courses(root: ET.Element) -> list[list[Segment]]:
    """The pieces of each line that leads from a node to another."""
    out = []
    for path in root.iter(SVG + "path"):
        if path.get("class") != "way":
            continue
        course = path.attrib["d"]
        start = re.match(r"M([\d.]+) ([\d.]+)", course)
        assert start is not None
        steps = [(name, float(to)) for name, to in re.findall(r"([HV])([\d.]+)", course)]
        at = (float(start[1]), float(start[2]))
        pieces = []
        for name, to in steps:
            then = (to, at[1]) if name == "H" else (at[0], to)
            pieces.append((*map(min, at, then), *map(max, at, then)))
            at = then
        out.append(pieces)
    return out


def apart(one: Segment, other: Segment, least: float = 0.0) -> bool:
    return (
        one[2] <= other[0] - least
        or other[2] <= one[0] - least
        or one[3] <= other[1] - least
        or other[3] <= one[1] - least
    )


def check_layout(tree: Tree) -> None:
    root = elements(tree)
    nodes, lines = boxes(root), courses(root)
    places = list(walk(tree))
    assert len(nodes) == len(places) == len(lines) + 1
    assert all(apart(one, other, BESIDE) for one, other in combinations(nodes, 2))
    wide, high = float(root.attrib["width"]), float(root.attrib["height"])
    assert all(
        left > 0 and top > 0 and right < wide and low < high for left, top, right, low in nodes
    )
    for pieces in lines:
        for piece in pieces:
            assert all(apart(piece, node) for node in nodes)
    # Lines from different checks keep apart: nobody has to guess which way one turns.
    parents = [place.parent for place in places[1:]]
    for (one, above), (other, above_it) in combinations(zip(lines, parents, strict=True), 2):
        if above != above_it:
            assert all(apart(a, b, 1.0) for a in one for b in other)


def test_nothing_stands_on_anything_else(drawn: Drawn) -> None:
    check_layout(drawn.tree)


def test_nothing_stands_on_anything_else_whatever_the_texts() -> None:
    check_layout(hostile())


FACES = {weight: FT2Font(font_manager.findfont("DejaVu Sans" + weight)) for weight in ("", ":bold")}


def real_width(text: str, size: float, weight: str) -> float:
    """In DejaVu Sans, which is as wide as the usual sans-serif fonts get."""
    face = FACES[weight]
    face.set_size(size, 72)
    face.set_text(text)
    return float(face.get_width_height()[0]) / 64.0


def test_texts_fit_into_their_nodes(drawn: Drawn) -> None:
    root = elements(drawn.tree)
    groups = [one for one in root.iter(SVG + "g") if one.find(SVG + "title") is not None]
    for group, (left, _, right, _) in zip(groups, boxes(root), strict=True):
        for text in group.iter(SVG + "text"):
            weight = ":bold" if text.get("class") == "head" else ""
            end = float(text.attrib["x"]) + real_width(text.text or "", 12.0, weight)
            assert left < float(text.attrib["x"]) < end < right, text.text


def test_texts_are_cut_where_there_is_no_room() -> None:
    assert wrapped("one two three", 12.0, 60.0, 3) == ["one two", "three"]
    assert wrapped("one two three", 12.0, 60.0, 1) == ["one tw…"]
    assert wrapped("x" * 20, 12.0, 50.0, 9) == ["x" * 6, "x" * 6, "x" * 6, "xx"]
    assert wrapped("", 12.0, 50.0, 3) == []
    assert clean("a\x00b\n\tc\ud800") == "a b c"
    assert clean("long " * 100, 12) == "long long l…"


@pytest.mark.parametrize(
    ("probability", "text"),
    [
        (0.0, "0 %"),
        (0.004, "<1 %"),
        (0.0099, "<1 %"),
        (0.5, "50 %"),
        (0.99, "99 %"),
        (0.991, ">99 %"),
        (1.0, "100 %"),
    ],
)
def test_percentages_do_not_round_doubt_away(probability: float, text: str) -> None:
    assert percent(probability) == text
