"""Results in the JUnit XML form that build servers show."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from junitparser import Failure, JUnitXml, TestCase, TestSuite


@dataclass(frozen=True, slots=True)
class Case:
    """One case, and in what it failed, if it did."""

    name: str
    group: str
    failures: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Suite:
    """Some cases under a name."""

    name: str
    cases: tuple[Case, ...]


def as_junit(suites: Iterable[Suite]) -> bytes:
    """The document, UTF-8."""
    document = JUnitXml("ohmpath rules")
    for suite in suites:
        element = TestSuite(suite.name)
        for case in suite.cases:
            one = TestCase(case.name, classname=case.group)
            one.result = [Failure(text) for text in case.failures]
            element.add_testcase(one)
        document.add_testsuite(element)
    document.update_statistics()  # type: ignore[no-untyped-call]
    raw: bytes = document.tostring()  # type: ignore[no-untyped-call]
    return raw
