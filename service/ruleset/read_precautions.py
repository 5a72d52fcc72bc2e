"""Precautions, the preparations that confirm them, and the places that ask for them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.ruleset import model as m
from service.ruleset.draft import Draft
from service.ruleset.source import Path_


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
                "precautions", path, raw.get("withdrawn_by", ()), self.raw_precautions, "precaution"
            ),
            stale_after=self.known(
                "precautions", path, raw.get("stale_after", ()), self.raw_checks, "check"
            ),
            source=raw["source"],
        )

    def preparation(self, path: Path_, raw: Mapping[str, Any]) -> m.Preparation:
        self.known("precautions", path, [raw["confirms"]], self.raw_precautions, "precaution")
        if raw["id"] in self.raw_checks:
            self.fail("precautions", path, f"{raw['id']!r} is a check too")
        return m.Preparation(
            id=raw["id"],
            confirms=raw["confirms"],
            after=self.known(
                "precautions", path, raw.get("after", ()), self.raw_precautions, "precaution"
            ),
            title=raw["title"],
            why=raw["why"],
            how=tuple(raw["how"]),
            minutes=raw["minutes"],
            tools=self.known("precautions", path, raw["tools"], self.tools, "tool"),
            precautions=self.known(
                "precautions", path, raw.get("precautions", ()), self.raw_precautions, "precaution"
            ),
            source=raw["source"],
        )

    def access(self, path: Path_, raw: Mapping[str, Any]) -> m.Access:
        requires = self.known(
            "precautions", path, raw["requires"], self.raw_precautions, "precaution"
        )
        prepared = {item["confirms"] for _, item in self.raw_preparations.values()}
        for one in requires:
            if not self.raw_precautions[one][1].get("confirm", False):
                self.fail("precautions", path, f"{one!r} is required but cannot be confirmed")
            if one not in prepared:
                self.fail("precautions", path, f"no preparation confirms {one!r}")
        return m.Access(
            id=raw["id"],
            title=raw["title"],
            requires=requires,
            precautions=self.known(
                "precautions", path, raw.get("precautions", ()), self.raw_precautions, "precaution"
            ),
            powered=raw.get("powered", False),
            closes_with=self.known(
                "precautions", path, raw.get("closes_with", ()), prepared, "preparation for"
            ),
        )
