"""What stands on the sheet, in the order in which it stands there. Nothing is decided here.

Texts of the rule set are looked up in its catalogue by their English; what is made up while an
assessment is worked out (reasons, notes) is English, and marked as such.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.diagnosis.case import read_case
from service.diagnosis.precautions import figures, fill
from service.record.written import Language
from service.ruleset.model import UNLISTED_FAULT, Check, RuleSet
from service.ruleset.repairs import cured_by
from service.texts import Translated

_CELL = 100  # characters of a row, about
_LONG = 3000
MOST_BARS = 6
MOST_BARS_IN_A_PROOF = 3

STATUSES = {
    "check-next": "Not finished: a check comes next",
    "fault-found": "Fault found",
    "no-fault-found": "No fault found",
    "unresolved": "Not resolved",
    "stop-work": "Stop work: the equipment stays out of use",
    "released": "Released for use",
    "not-released": "Not released: the equipment stays out of use",
}
RESULTS = {
    "passed": "passed",
    "failed": "failed",
    "missing": "still to be done",
    "invalid": "not valid",
    "undecided": "undecided",
    "unavailable": "cannot be carried out here",
}
NO_VERDICT = "None yet."
# What a proof comes to. Where no repair is named, it is of equipment that was only looked at.
PROOFS = {
    None: "The proof is not finished.",
    False: "Not proven: the equipment stays out of use.",
    True: "The repair is proven: the equipment is released for use.",
}
PROVEN_UNREPAIRED = (
    "The equipment is proven to be safe to use, and released. No repair has been named."
)
OUT_OF_USE = {"stop-work", "not-released"}


@dataclass(frozen=True, slots=True)
class Row:
    """A reading and what it was taken for.

    value: as it was sent. made_of_it: what the service makes of that, in small below it.
    stands: no later one has taken its place.
    """

    number: int
    check: Translated
    value: str | Translated
    made_of_it: list[str | Translated]
    limits: list[tuple[Translated, str]]
    outcome: Translated
    normal: bool | None  # null: neither, as where it is inconclusive
    probability: str
    notes: list[str | Translated]
    stands: bool


@dataclass(frozen=True, slots=True)
class Warned:
    """A precaution."""

    signal: str
    signal_word: Translated
    parts: list[Translated]
    sign: str | None
    confirmed: bool
    now: bool


@dataclass(frozen=True, slots=True)
class Bar:
    """A hypothesis. width: percent of the whole."""

    title: Translated
    width: float
    percent: str


@dataclass(frozen=True, slots=True)
class Mended:
    """A fault and what mends it."""

    title: Translated
    confidence: str
    action: Translated
    parts: list[Translated]


@dataclass(frozen=True, slots=True)
class Step:
    """What comes next, in a few words: how it is done is no part of a record."""

    title: Translated
    expected: Translated | None


@dataclass(frozen=True, slots=True)
class Sheet:
    """The whole record."""

    title: Translated
    complaint: Translated
    case_id: str | None
    status: str
    out_of_use: bool
    plate: list[tuple[Translated, str | Translated]]
    assumed: int
    repairs: list[Translated]
    precautions: list[Warned]
    rows: list[Row]
    verdict: list[Mended]
    conclusion: str  # in place of a verdict
    released: bool
    mended: Bar | None  # the fault that the last repair has taken away, if one is likely
    bars: list[Bar]
    looks_back: bool  # the bars are of what was wrong before the last repair
    step: Step | None
    proof: dict[str, list[Translated]]  # checks by what they have shown since the repair
    after: list[Translated]
    reasons: list[Translated]
    rule_set: Mapping[str, str]

    @property
    def is_long(self) -> bool:
        """Whether the columns of the readings are of a fixed width.

        To fit them to what they hold, the library for PDFs goes through all of the table for each
        page: 480 readings took minutes.
        """
        return sum(_CELL + sum(map(_length, row.notes)) for row in self.rows) > _LONG


def sheet(
    rule_set: RuleSet, case: Mapping[str, Any], answer: Mapping[str, Any], lang: Language
) -> Sheet:
    """The record of a case (shape checked) and its assessment, in a language."""
    texts = lang.texts
    worked_out = figures(rule_set, read_case(rule_set, case))
    plate = case.get("nameplate") or {}
    release = answer["release"]
    verdict = answer["verdict"]
    repairs = [one["remedy"] for one in case.get("repairs") or ()]
    released = release is not None and release["released"] is True
    bars = _bars(
        rule_set,
        answer["hypotheses"][: MOST_BARS if release is None else MOST_BARS_IN_A_PROOF],
        lang,
    )
    likeliest = answer["hypotheses"][0]
    return Sheet(
        title=texts.of(rule_set.title),
        complaint=texts.of(rule_set.symptoms[case["symptom"]].title),
        case_id=case.get("case_id"),
        status=STATUSES[answer["status"]],
        out_of_use=answer["status"] in OUT_OF_USE,
        plate=[
            (texts.of(rule_set.nameplate[name].title), _stated(given, lang))
            for name, given in plate.items()
        ],
        assumed=len(rule_set.nameplate.keys() - plate.keys()),
        repairs=[texts.of(rule_set.remedies[one].action) for one in repairs],
        precautions=[
            _warned(rule_set, one, worked_out, lang)
            for one in sorted(answer["precautions"], key=lambda one: not one["applies_now"])
        ],
        rows=[
            _row(rule_set, case["readings"][one["reading"]], one, lang)
            for one in answer["findings"]
        ],
        verdict=[] if verdict is None else list(_mended(verdict, lang)),
        conclusion=_conclusion(release, repairs),
        released=released,
        mended=bars[0] if released and _mends(rule_set, repairs[-1:], likeliest) else None,
        # What is believed in a proof is believed of the time before the last repair. Where there
        # was none, it rests on no reading, and means nothing once all is proven.
        bars=bars if repairs or not released else [],
        looks_back=bool(release and repairs),
        step=_step(rule_set, answer["next_check"], lang),
        proof=_proof(rule_set, (release or {}).get("proof", ()), lang),
        after=[
            texts.of(rule_set.checks[one].title)
            for one in (verdict or {}).get("checks_after_repair", ())
        ],
        reasons=[texts.of(one["text"]) for one in answer["reasons"]],
        rule_set=answer["rule_set"],
    )


def _length(note: str | Translated) -> int:
    return len(note if isinstance(note, str) else note.text)


def _stated(given: Any, lang: Language) -> str | Translated:
    return lang.texts.word(given) if isinstance(given, str) else lang.given(given)


def _warned(
    rule_set: RuleSet, one: Mapping[str, Any], worked_out: dict[str, str], lang: Language
) -> Warned:
    template = rule_set.precautions[one["id"]].text
    # An assessment may have more to say than the rule set's own text; none of it is left out.
    more = one["text"].removeprefix(fill(template, worked_out)).strip()
    parts = [lang.texts.filled(template, worked_out)]
    if more:
        parts.append(lang.say(more))
    return Warned(
        one["signal_word"],
        lang.texts.of(one["signal_word"]),
        parts,
        one["sign"],
        one["confirmed"],
        one["applies_now"],
    )


def _row(
    rule_set: RuleSet, reading: Mapping[str, Any], one: Mapping[str, Any], lang: Language
) -> Row:
    check = rule_set.checks[one["check"]]
    outcome = one["outcome"]
    note = reading.get("note")
    value, made_of_it = _value(check, reading, one, lang)
    return Row(
        number=one["reading"] + 1,
        check=lang.texts.of(check.title),
        value=value,
        made_of_it=made_of_it,
        limits=[
            (lang.texts.word(span["outcome"]), _span(span, lang))
            for span in one["limits"]
            if span["lower"] or span["upper"]
        ],
        outcome=lang.texts.word(outcome),
        normal=check.meaning(outcome) == "normal" if outcome in check.outcomes else None,
        probability=lang.percent(one["probability"]),
        notes=[*([note] if note else ()), *(lang.say(text) for text in one["notes"])],
        stands=not one["superseded"],
    )


def _value(
    check: Check, reading: Mapping[str, Any], one: Mapping[str, Any], lang: Language
) -> tuple[str | Translated, list[str | Translated]]:
    """What was read, as it was sent, and what the service makes of it."""
    if "observed" in reading:
        seen = reading["observed"]
        # What no measure of the check gives, such as a part that is not fitted, has no value.
        judged = any(seen in measure.outcomes for measure in check.measures)
        return lang.texts.word(seen), [lang.say("judged, no value stated")] if judged else []
    if "over_range" in reading:
        return lang.say("over range"), []
    measured = one["measured"]
    uncertainty, unit = measured["standard_uncertainty"], measured["unit"]
    corrected = lang.measured(measured["value"], uncertainty, unit)
    if "value" not in reading:  # worked out from its inputs, as its notes say
        return corrected, []
    if corrected != lang.measured(reading["value"], uncertainty, unit):
        return lang.given(reading), [lang.say("without leads:"), corrected]
    return lang.given(reading), [lang.plus_minus(uncertainty, unit)] if uncertainty > 0.0 else []


def _span(span: Mapping[str, Any], lang: Language) -> str:
    lower, upper = span["lower"], span["upper"]
    if lower is None:
        return f"< {lang.given(upper)}"
    if upper is None:
        return f"> {lang.given(lower)}"
    return f"{lang.given(lower)} … {lang.given(upper)}"


def _mended(verdict: Mapping[str, Any], lang: Language) -> Iterator[Mended]:
    for one in (verdict, *verdict["also_found"]):
        yield Mended(
            lang.texts.of(one["title"]),
            lang.percent(one["confidence"]),
            lang.texts.of(one["remedy"]["action"]),
            [lang.texts.of(title) for title in one["part_titles"].values()],
        )


def _conclusion(release: Mapping[str, Any] | None, repairs: Sequence[str]) -> str:
    if release is None:
        return NO_VERDICT
    released: bool | None = release["released"]
    return PROVEN_UNREPAIRED if released and not repairs else PROOFS[released]


def _mends(rule_set: RuleSet, remedies: Iterable[str], likeliest: Mapping[str, Any]) -> bool:
    """Whether these take away the likeliest fault, and it is more probable than all others."""
    cured = {fault for remedy in remedies for fault in cured_by(rule_set, remedy)}
    return likeliest["fault"] in cured and likeliest["probability"] > 0.5


def _bars(rule_set: RuleSet, likeliest: list[Mapping[str, Any]], lang: Language) -> list[Bar]:
    """The likeliest hypotheses, and all others together."""
    shown = [
        Bar(
            _title(rule_set, one["fault"], lang),
            100 * one["probability"],
            lang.percent(one["probability"]),
        )
        for one in likeliest
        if one["probability"] > 0
    ]
    rest = round(1.0 - sum(one["probability"] for one in likeliest), 6)
    if rest > 0:
        shown.append(Bar(lang.say("all others together"), 100 * rest, lang.percent(rest)))
    return shown


def _proof(
    rule_set: RuleSet, checks: Iterable[Mapping[str, Any]], lang: Language
) -> dict[str, list[Translated]]:
    found: dict[str, list[Translated]] = {}
    for one in checks:
        title = lang.texts.of(rule_set.checks[one["check"]].title)
        found.setdefault(RESULTS[one["result"]], []).append(title)
    return found


def _title(rule_set: RuleSet, fault: str, lang: Language) -> Translated:
    if fault == UNLISTED_FAULT:
        return lang.texts.word(fault)
    return lang.texts.of(rule_set.faults[fault].title)


def _step(rule_set: RuleSet, one: Mapping[str, Any] | None, lang: Language) -> Step | None:
    if one is None:
        return None
    if one["kind"] == "preparation":
        return Step(lang.texts.of(rule_set.preparations[one["id"]].title), None)
    if one["kind"] == "nameplate":
        return Step(lang.texts.of(rule_set.plates[one["id"]].title), None)
    check = rule_set.checks[one["id"]]
    return Step(lang.texts.of(check.title), lang.texts.of(check.expected_text))
