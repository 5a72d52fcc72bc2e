"""What a named calculation is: its inputs, its outputs, and what makes one of the other."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from service.physics.forms.inputs import Given, Input, Refusal

VERDICTS = ("accept", "reject", "in-guard-band")


@dataclass(frozen=True, slots=True)
class Output:
    """One output: a quantity, shown in `unit` with so many significant digits, or decimals.

    Without a `quantity` it shares that of the document and is shown in the unit of the input
    `value`. `when`: in words, where it is not always there.
    """

    name: str
    title: str
    quantity: str | None
    unit: str | None
    digits: int = 6
    decimals: int | None = None
    difference: bool = False
    when: str | None = None


def probability(name: str, title: str, when: str | None = None) -> Output:
    """An output from 0 to 1, to a millionth as in an assessment."""
    return Output(name, title, "ratio", "1", decimals=6, when=when)


class Remark(NamedTuple):
    """A warning or a note. `source`: document and clause, `common practice` or `estimate`."""

    code: str
    text: str
    source: str


class Measured(NamedTuple):
    """What a calculation stands for as a reading: value and standard uncertainty, SI units."""

    value: float
    standard_uncertainty: float


@dataclass(frozen=True, slots=True)
class Result:
    """`values`: by name of output, in SI units, not rounded. `sources`: beside those declared."""

    values: Mapping[str, float]
    warnings: tuple[Remark, ...] = ()
    notes: tuple[Remark, ...] = ()
    sources: tuple[str, ...] = ()
    verdict: str | None = None
    measured: Measured | None = None


def nothing_more(given: Given) -> Iterator[Refusal]:
    """The check of a calculation whose inputs do not depend on each other."""
    yield from ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Calculation:
    """A named calculation.

    `check` looks at inputs beside each other; it must do with whatever is missing or faulty.
    `work` is called only if nothing was wrong.
    """

    name: str
    title: str
    description: str
    inputs: tuple[Input, ...]
    outputs: tuple[Output, ...]
    sources: tuple[str, ...]
    work: Callable[[Given], Result]
    example: Mapping[str, Any]
    check: Callable[[Given], Iterator[Refusal]] = field(default=nothing_more)
