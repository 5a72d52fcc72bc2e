"""Precautions, the preparations that confirm them, and the places that ask for them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.ruleset import model as m
from service.ruleset.compose import Path_
from service.ruleset.draft import Draft


class PrecautionReader(Draft):
    """Reads `precautions.yaml`."""

    def precaution(self, path: Path_, raw: Mapping[str, Any]) -> m.Precaution:
        return m.Precaution(
            id=raw["id"],
            signal_word=raw["signal_word"],
            sign=raw.get("sign"),
            text=raw["text"],
            confirm=raw.get("confirm", False),
            withdrawn_by=self.known(
                "precautions",
                (*path, "withdrawn_by"),
                raw.get("withdrawn_by", ()),
                self.raw_precautions,
                "precaution",
            ),
            ends_run=raw.get("ends_run", False),
            forbids_use=raw.get("forbids_use", False),
            void_when_energised=raw.get("void_when_energised", False),
            source=raw["source"],
        )

    def preparation(self, path: Path_, raw: Mapping[str, Any]) -> m.Preparation:
        where = (*path, "confirms")
        self.known("precautions", where, [raw["confirms"]], self.raw_precautions, "precaution")
        if raw["id"] in self.raw_checks:
            message = f"{raw['id']!r} is a check too"
            advice = "Both can be `next_check`: name the preparation otherwise."
            self.fail("precautions", (*path, "id"), "preparation-is-check", message, advice)
        return m.Preparation(
            id=raw["id"],
            confirms=raw["confirms"],
            after=self.known(
                "precautions",
                (*path, "after"),
                raw.get("after", ()),
                self.raw_precautions,
                "precaution",
            ),
            title=raw["title"],
            why=raw["why"],
            how=tuple(raw["how"]),
            minutes=raw["minutes"],
            tools=self.known("precautions", (*path, "tools"), raw["tools"], self.tools, "tool"),
            precautions=self.precautions_of("precautions", path, raw),
            source=raw["source"],
        )

    def access(self, path: Path_, raw: Mapping[str, Any]) -> m.Access:
        requires = self.known(
            "precautions", (*path, "requires"), raw["requires"], self.raw_precautions, "precaution"
        )
        return m.Access(
            id=raw["id"],
            title=raw["title"],
            requires=requires,
            precautions=self.precautions_of("precautions", path, raw),
            powered=raw.get("powered", False),
            outside=raw.get("outside", False),
            closes_with=self.known(
                "precautions",
                (*path, "closes_with"),
                raw.get("closes_with", ()),
                self.raw_precautions,
                "precaution",
            ),
        )
