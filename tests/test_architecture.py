"""The house keeps its shape: who imports what, and how large a module may grow."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from service.diagnosis.assessment import Reasoner
from service.diagnosis.case import read_case
from service.diagnosis.precautions import figures
from service.ruleset.lints.texts import FIGURES
from service.ruleset.model import RuleSet

SERVICE = Path(__file__).parents[1] / "service"
MODULES = sorted(SERVICE.rglob("*.py"))
# The direction in which data flows: a package may use those before it, never those after.
ORDER = (
    "physics",
    "inference",
    "ruleset",
    "diagnosis",
    "texts",
    "record",
    "batch",
    "graph",
    "trials",
    "guard",
    "observe",
    "api",
)


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def roots(path: Path) -> set[str]:
    return {name.partition(".")[0] for name in imported(path)}


def test_one_module_imports_the_rule_engine() -> None:
    using = [path for path in MODULES if {"durable", "durable_rules_engine"} & roots(path)]
    assert using == [SERVICE / "inference" / "engine.py"]


def test_only_the_edge_imports_flask() -> None:
    web = {"flask", "flask_smorest", "werkzeug", "webargs", "marshmallow"}
    using = [path for path in MODULES if web & roots(path)]
    assert using
    for path in using:
        assert path.parent == SERVICE / "api" or path == SERVICE / "app.py", path


@pytest.mark.parametrize("package", ORDER)
def test_packages_use_only_those_before_them(package: str) -> None:
    later = {f"service.{name}" for name in ORDER[ORDER.index(package) + 1 :]}
    for path in (SERVICE / package).rglob("*.py"):
        for name in imported(path):
            assert ".".join(name.split(".")[:2]) not in later, f"{path} imports {name}"


def test_modules_stay_small() -> None:
    for path in MODULES:
        lines = len(path.read_text(encoding="utf-8").splitlines())
        assert lines <= 400, f"{path.name} has {lines} lines"


def test_the_figures_that_texts_may_name_are_the_ones_worked_out(
    oven: RuleSet, reasoner: Reasoner
) -> None:
    case = read_case(oven, {"symptom": "no-heat"})
    assert set(figures(oven, case)) == FIGURES
    answer = reasoner.assess({"symptom": "no-heat"})
    assert not any("{" in one["text"] for one in answer["precautions"])
