"""What to say of a name that nothing has: the one that was probably meant, or what there is."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

_LONGEST = 60  # no id is longer; what is typed may be
_LISTED = 16


def unknown(what: str, got: str, known: Iterable[str], plural: str | None = None) -> str:
    """A message for an unknown id: what was got, a near miss if there is one, or the choices."""
    return f"unknown {what} {_shown(got)!r}; {hint(what, got, known, plural)}"


def hint(what: str, got: str, known: Iterable[str], plural: str | None = None) -> str:
    """The question whether a near miss was meant, or the choices."""
    names = sorted(known)
    near = get_close_matches(got[:_LONGEST], names, n=1)
    if near:
        return f"did you mean {near[0]!r}?"
    listed = ", ".join(names[:_LISTED]) + (", ..." if len(names) > _LISTED else "")
    return f"known {plural or _plural(what)}: {listed or 'none'}"


def _plural(what: str) -> str:
    return what + ("es" if what.endswith("s") else "s")


def _shown(text: str) -> str:
    return text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."


def sentence(text: str) -> str:
    """The same as a sentence of its own."""
    return text[:1].upper() + text[1:] + ("" if text.endswith("?") else ".")
