"""Names that have gone by."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from service.batch.seen import Seen

NAME = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=3)


@given(st.lists(NAME))
def test_a_name_is_told_from_all_others_and_its_lines_kept(names: list[str]) -> None:
    seen, lines = Seen(), dict[str, list[int]]()
    for line, name in enumerate(names, start=2):
        assert seen.first(name, line) == next(iter(lines.get(name, [])), None)
        lines.setdefault(name, []).append(line)
    assert not seen.known("beyond")
    for name, met in lines.items():
        assert seen.known(name)
        assert seen.twice(name) == (tuple(met[:2]) if len(met) > 1 else None)
    seen.close()


def test_more_names_than_the_memory_holds_are_all_known_again() -> None:
    """100,000 of these make some ten megabytes, of which two are held."""
    seen = Seen()
    assert all(seen.first(f"{'x' * 90}{line}", line) is None for line in range(100_000))
    assert all(seen.first(f"{'x' * 90}{line}", 0) == line for line in range(0, 100_000, 997))
    seen.close()
