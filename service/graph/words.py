"""What stands in a node, in words; and how text of a rule set is made fit to be drawn."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal
from unicodedata import east_asian_width

from service.graph.tree import Ask, End, Found, LeftOut, Place, Tree, Warned, Way
from service.ruleset.model import SIGNAL_WORDS

# Nothing that is drawn is longer: a rule set may hold texts of any length.
MOST_CHARACTERS = 400
MOST_OUTCOME = 24

HEADS = {
    "fault-found": "FAULT FOUND",
    "no-fault-found": "NO FAULT FOUND",
    "unresolved": "UNRESOLVED",
    "stop-work": "STOP WORK",
}


@dataclass(frozen=True, slots=True)
class Line:
    """A line of a node before it is wrapped. `warning`: of precautions."""

    kind: Literal["head", "text", "warning"]
    text: str


def clean(text: str, most: int = MOST_CHARACTERS) -> str:
    """One line of printable text; the rest of what is longer shows as an ellipsis.

    Control characters, changes of writing direction and halves of surrogate pairs become blanks.
    """
    # Cut before looking at each character: what comes may be very long.
    kept = "".join(one if one.isprintable() else " " for one in text[: 2 * most])
    line = " ".join(kept.split())
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"


def percent(probability: float) -> str:
    """Whole percent; what is not quite never or always does not show as such."""
    if 0.0 < probability < 0.01:
        return "<1 %"
    if 0.99 < probability < 1.0 - 1e-9:
        return ">99 %"
    return f"{100.0 * probability:.0f} %"


def label(way: Way) -> str:
    """What stands at an edge. Which outcomes are left out stands in their leaf."""
    if isinstance(way.to, LeftOut):
        return percent(way.probability)
    return f"{clean(way.outcomes[0], MOST_OUTCOME)} {percent(way.probability)}"


def told(place: Place, warnings: Iterable[str]) -> list[Line]:
    """The lines of a node; `warnings` are those of its precautions."""
    match place.node:
        case Ask() as ask:
            out = [Line("head", ask.title + (" (once more)" if ask.again else ""))]
            if ask.first:
                out.append(Line("warning", f"First confirm: {', '.join(ask.first)}"))
            out += [Line("warning", one) for one in warnings]
        case End() as end:
            because = [Line("text", end.because[:1].upper() + end.because[1:])]
            found = [*([end.verdict] if end.verdict else []), *end.also_found]
            out = [one for each in found for one in _verdict(each)]
            if end.status == "fault-found":
                out += because
            else:
                out = [Line("head", HEADS.get(end.status, end.status)), *because, *out]
        case LeftOut():
            outcomes = place.way.outcomes if place.way is not None else ()
            names = ", ".join(clean(one, MOST_OUTCOME) for one in outcomes)
            out = [Line("text", f"Not followed: {names}" if names else "Not followed")]
    cleaned = [Line(one.kind, clean(one.text)) for one in out]
    return [one for one in cleaned if one.text]


def _verdict(found: Found) -> list[Line]:
    head = f"{HEADS['fault-found']}, {percent(found.confidence)}"
    return [Line("head", head), Line("text", f"{found.title}."), Line("text", found.action)]


def by_signal_word(precautions: Iterable[Warned]) -> dict[str, list[Warned]]:
    """The precautions by their signal word, the gravest first."""
    out: dict[str, list[Warned]] = {word: [] for word in SIGNAL_WORDS}
    for one in precautions:
        out.setdefault(one.signal_word, []).append(one)
    return {word: several for word, several in out.items() if several}


def warnings(tree: Tree, place: Place) -> list[str]:
    """The precautions of a check that not every answer has, as lines by signal word."""
    if not isinstance(place.node, Ask):
        return []
    here = [one for one in place.node.precautions if one.id not in tree.always]
    return [
        f"{word}: {', '.join(one.id for one in several)}"
        for word, several in by_signal_word(here).items()
    ]


def explained(tree: Tree) -> list[str]:
    """What the reader of the drawing has to know."""
    least = f"{100.0 * tree.least_probability:.3g} %"
    out = [
        f"Rule set {tree.rule_set} {tree.version} ({tree.content_hash[:19]}), complaint "
        f"{tree.symptom}. Nothing more is known, and the nameplate is assumed. Percentages say how "
        "likely an outcome is after all that was read before it.",
        f"Ways that come up in less than {least} of visits are not followed, unless they end at "
        "once.",
    ]
    if not tree.whole:
        out.append(
            "Some likelier ways are not followed either: the drawing would be too large, or their "
            "preparations undo one another."
        )
    return [clean(one) for one in out]


def width(text: str, size: float, *, bold: bool = False) -> float:
    """About how wide a text is in the widest of the usual sans-serif fonts; px, as `size`."""
    return size * sum(map(_em, text)) * (1.12 if bold else 1.0)


def _em(character: str) -> float:
    if character in " ijlI.,:;'|!":
        return 0.34
    if character in "ftr()[]-/":
        return 0.42
    if character in "mwMW@%…—" or east_asian_width(character) in "FW":
        return 1.0
    return 0.76 if character.isupper() else 0.63


def wrapped(text: str, size: float, room: float, most: int, *, bold: bool = False) -> list[str]:
    """The text in lines that fit into `room` (px), at most so many; the rest as an ellipsis."""

    def fits(line: str) -> bool:
        return width(line, size, bold=bold) <= room

    def pieces(word: str) -> Iterator[str]:
        """A word that is too long for a line goes on in the next."""
        piece = ""
        for character in word:
            if piece and not fits(piece + character):
                yield piece
                piece = ""
            piece += character
        yield piece

    lines: list[str] = []
    for word in text.split():
        for i, piece in enumerate(pieces(word)):
            if i == 0 and lines and fits(f"{lines[-1]} {piece}"):
                lines[-1] = f"{lines[-1]} {piece}"
            elif len(lines) == most:
                while not fits(f"{lines[-1]}…"):
                    lines[-1] = lines[-1][:-1]
                lines[-1] = f"{lines[-1].rstrip(' ,;.')}…"
                return lines
            else:
                lines.append(piece)
    return lines
