"""What to say of a name that nothing has: the one that was probably meant, or what there is."""

from __future__ import annotations

import re
from collections.abc import Iterable

from service.alike import LONGEST, alike

_LISTED = 16
_FEW = 4


def unknown(what: str, got: str, known: Iterable[str], plural: str | None = None) -> str:
    """A message for an unknown id: what was got, a near miss if there is one, or the choices."""
    return f"unknown {what} {_shown(got)!r}; {hint(what, got, known, plural)}"


def hint(what: str, got: str, known: Iterable[str], plural: str | None = None) -> str:
    """The question whether a near miss was meant, or the choices."""
    names = sorted(known)
    if meant := _meant(got[:LONGEST].casefold(), names):
        *most, last = map(repr, meant)
        return f"did you mean {', '.join(most)} or {last}?" if most else f"did you mean {last}?"
    listed = ", ".join(names[:_LISTED])
    if len(names) > _LISTED:
        listed += f" and {len(names) - _LISTED} more"
    return f"known {plural or _plural(what)}: {listed or 'none'}"


def _meant(got: str, names: list[str]) -> list[str]:
    """The name that is spelt most alike, or else the few of which it is one of the words."""
    with_it = [name for name in names if got in re.split("[-_]", name)]
    return alike(got, names) or (with_it if len(with_it) <= _FEW else [])


def near(got: str, known: Iterable[str], least: float = 0.6) -> str | None:
    """The known name that is most like another, if one is: `least`, from 0 to 1, says how much."""
    return next(iter(alike(got[:LONGEST].casefold(), sorted(known), cutoff=least)), None)


def _plural(what: str) -> str:
    return what + ("es" if what.endswith("s") else "s")


def _shown(text: str) -> str:
    return text if len(text) <= LONGEST else text[: LONGEST - 3] + "..."
