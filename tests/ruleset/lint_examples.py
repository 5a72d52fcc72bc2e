"""For each code of lint, how an author gets it wrong in the rig, and how it would be right."""

from __future__ import annotations

import json
from itertools import combinations
from typing import NamedTuple

from tests.ruleset.rigged import Edit


class Example(NamedTuple):
    code: str
    wrong: tuple[Edit, ...]
    right: tuple[Edit, ...]  # nothing: as the rig has it
    says: str = ""  # part of the message


def pair(
    code: str, file: str, old: str, wrong: str, right: str | None = None, says: str = ""
) -> Example:
    """One text in one place, wrong and right."""
    better = () if right is None else (Edit(file, old, right),)
    return Example(code, (Edit(file, old, wrong),), better, says)


def rule(one: str, when: object, *then: object) -> str:
    """A rule as a further item of rules.yaml."""
    return (
        f"  - id: {one}\n    when: {json.dumps(when)}\n    then: {json.dumps(then)}\n"
        "    because: It is so.\n    source: common practice\n"
    )


def rules(code: str, wrong: list[str], right: list[str] | None = None, says: str = "") -> Example:
    """Further rules, wrong and right."""
    better = () if right is None else (Edit("rules", "", "".join(right)),)
    return Example(code, (Edit("rules", "", "".join(wrong)),), better, says)


OPEN_STOPS = rule(
    "open-stops", {"finding": "fuse-resistance", "outcome": "open"}, {"stop": "Stop."}
)


def fault(one: str, more: str = "") -> str:
    return (
        f"  - id: {one}\n    title: Another fault\n    component: lamp\n    rate: 1\n"
        f"    symptoms: {{dead: 0.5}}\n    remedy: replace-fuse\n{more}    source: estimate\n"
    )


def condition(one: str) -> str:
    return (
        f"  - id: {one}\n    title: Another condition\n    parts: []\n    unlisted: 0.001\n"
        "    symptom_weights: {}\n    source: estimate\n"
    )


def measure(quantity: str, unit: str, *outcomes: str) -> str:
    """A second way to read the coil: spans that end at 1, 2, 3 ..."""
    spans = [
        f"          - {{id: {one}, below: {{value: {at}, unit: {unit}, source: estimate}}}}\n"
        for at, one in enumerate(outcomes[:-1], 1)
    ]
    return (
        f"      - quantity: {quantity}\n        unit: {unit}\n        outcomes:\n"
        f"{''.join(spans)}          - {{id: {outcomes[-1]}}}\n"
    )


LAMP_ROWS = '      - {for: ["group:opens"]'
LAMP_DEFAULT = "default: {p: {lit: 0.97, dark: 0.03}"
COIL = "    expected: [whole]\n"
COIL_DEFAULT = "    default: {p: {shorted: 0.01"
STORE = "    groups: [high-voltage-parts]\n"
INSIDE = "title: Behind the cover\n    requires: [supply-disconnected, capacitor-discharged]"
LIVE = "title: Energised, leads clipped on\n"
LAMP = {"finding": "lamp"}
LIT, DARK = {**LAMP, "outcome": "lit"}, {**LAMP, "outcome": "dark"}
FUSE_OPEN = {"finding": "fuse-resistance", "outcome": "open"}
PREFER = {"prefer": "coil-resistance"}
LID = Edit("faults", "title: Coil}\n", "title: Coil}\n  - {id: lid, title: Lid}\n")

VALUES = [
    pair("shape", "faults", "rate: 4\n", "rate: 4\n    colour: red\n", "rate: 4.5\n", '"colour"'),
    rules(
        "duplicate-id",
        [rule("fed-directly", LAMP, PREFER)],
        [rule("lamp-read", LAMP, PREFER)],
        "'fed-directly'",
    ),
    pair("unknown-id", "faults", "{dead: 0.9}", "{daed: 0.9}", "{weak: 0.9}", "symptom 'daed'"),
    pair("unknown-id", "faults", "remedy: replace-fuse", "remedy: pray", None, "'pray'"),
    pair("unknown-id", "checks", "scale: continuity", "scale: continuous", None, "scale"),
    pair("unknown-id", "checks", "tools: [meter]", "tools: [metre]", "tools: [tester]", "tool"),
    pair("unknown-id", "checks", "group:opens", "group:closes", None, "fault group 'closes'"),
    pair("unknown-id", "rules", "eq: direct", "eq: driect", "ne: stepped", "choice 'driect'"),
    pair("unknown-id", "rules", "outcome: dark", "outcome: dim", "possible: dark", "'dim'"),
    pair("unknown-id", "checks", "of: supply_voltage", "of: supply", None, "nameplate field"),
    pair("unit", "checks", "10, unit: kOhm", "10, unit: kohm", "10000, unit: Ohm", "kohm"),
    pair("unit", "checks", "10, unit: kOhm", "10, unit: kV", "11, unit: kOhm", "resistance"),
    pair("unit", "rules", "264, unit: V", "264, unit: Ohm", "0.264, unit: kV"),
    pair(
        "built-in-fault",
        "faults",
        "remedies:\n",
        fault("unlisted-fault") + "remedies:\n",
        fault("lamp-loose", "    conditions: {fuse-blown: 0.5}\n") + "remedies:\n",
    ),
    pair("preparation-is-check", "precautions", "id: refit", "id: lamp", "id: closing-up"),
    pair(
        "nameplate-kind",
        "rule-set",
        "instruments:\n",
        "  odd:\n    title: Odd\n    choices: [a, b]\n    quantity: voltage\n    default: a\n"
        "    source: estimate\ninstruments:\n",
        "  odd:\n    title: Odd\n    choices: [a, b]\n    default: a\n"
        "    source: estimate\ninstruments:\n",
    ),
    pair(
        "price-class",
        "faults",
        "parts: [store]\n    price_class: low\n",
        "parts: [store]\n",
        "parts: [store]\n    price_class: none\n",
    ),
    pair("price-class", "rule-set", "    none: {minutes: 0, carry: 0, source: estimate}\n", ""),
    pair(
        "untitled-part",
        "faults",
        "also_replace: [fuse]",
        "also_replace: [fuze]",
        "also_replace: [store]",
        "'fuze' has no title",
    ),
    pair("untitled-part", "faults", "parts: [fuse]\n    unlisted", "parts: [lid]\n    unlisted"),
    Example(
        "untitled-part",
        (Edit("faults", "  - {id: store, title: Storage capacitor}\n", ""),),
        (Edit("faults", "title: Storage capacitor}", "title: Capacitor}"),),
        "'store' has no title",
    ),
    pair("shape", "faults", "{id: coil, title: Coil}", "{id: coil}", None, "`title` missing"),
    Example("duplicate-id", (LID, LID), (), "'lid'"),
    pair(
        "tuning-missing",
        "rule-set",
        "  slip: {value: 0.01, source: estimate}\n",
        "",
        "  slip: {value: 0, source: estimate}\n",
        "'slip'",
    ),
    pair(
        "over-one", "faults", "dead: 0.3, weak: 0.4", "dead: 0.7, weak: 0.4", "dead: 0.6, weak: 0.4"
    ),
    pair(
        "over-one", "faults", "{store-shorted: 0.05}", "{store-shorted: 0.6, fuse-aged: 0.5}", None
    ),
    pair("no-outcomes", "checks", "    outcomes: [lit, dark]\n", "", "    outcomes: [dark, lit]\n"),
    pair(
        "stray-outcome",
        "checks",
        COIL_DEFAULT,
        measure("voltage", "V", "dropped", "open") + COIL_DEFAULT,
        measure("voltage", "V", "whole", "open") + COIL_DEFAULT,
        "'dropped'",
    ),
    pair(
        "hole",
        "checks",
        "{id: closed, below: {value: 5, unit: Ohm, source: estimate}}",
        "{id: closed}",
        "{id: closed, below: {value: 6, unit: Ohm, source: estimate}}",
        "leaves a hole",
    ),
    pair(
        "hole",
        "checks",
        "        - {id: open}\n",
        "        - {id: open, below: {value: 9, unit: MOhm, source: estimate}}\n",
        None,
        "no outcome above",
    ),
    pair(
        "limit-follows", "checks", "of: supply_voltage", "of: make", "of: supply_voltage", "a word"
    ),
    pair(
        "limit-follows",
        "checks",
        "of: supply_voltage",
        "of: bleed_resistance",
        None,
        "not a voltage",
    ),
    pair("limit-follows", "checks", "power: 2", "power: 200", "power: -1", "power"),
    pair(
        "limit-follows",
        "checks",
        "reference: {value: 230, unit: V}",
        "reference: {value: 0, unit: V}",
        "reference: {value: 115, unit: V}",
        "0 or less",
    ),
    pair(
        "limit-follows",
        "rule-set",
        "    least: {value: 90, unit: V}\n",
        "",
        "    least: {value: 100, unit: V}\n",
        "may be 0",
    ),
    pair(
        "unbounded",
        "checks",
        COIL,
        "    conditions: [{id: warmth, title: Warmth, quantity: temperature, source: estimate}]\n"
        + COIL,
        "    conditions: [{id: warmth, title: Warmth, quantity: temperature, "
        "most: {value: 40, unit: Cel}, source: estimate}]\n" + COIL,
    ),
    pair(
        "row-sum",
        "checks",
        LAMP_DEFAULT,
        LAMP_DEFAULT.replace("3}", "4}"),
        "default: {p: {lit: 0.96, dark: 0.04}",
        "1.01, not 1",
    ),
    pair(
        "row-zero",
        "checks",
        LAMP_DEFAULT,
        "default: {p: {lit: 1, dark: 0}",
        "default: {p: {lit: 0.999, dark: 0.001}",
    ),
    pair(
        "row-twice",
        "checks",
        LAMP_ROWS,
        "      - {given: [fuse-blown], p: {lit: 0.1, dark: 0.9}, source: estimate}\n" + LAMP_ROWS,
        "      - {for: [store-shorted], p: {lit: 0.1, dark: 0.9}, source: estimate}\n" + LAMP_ROWS,
        "fuse-blown has two rows",
    ),
    pair(
        "row-twice",
        "checks",
        '{for: ["group:opens"]',
        '{for: ["group:opens", "group:opens"]',
        '{for: ["group:opens", store-shorted]',
        "fuse-aged has two rows",
    ),
    pair("comparison", "rules", "eq: direct", "gt: direct", "in: [direct]", "cannot be ordered"),
    pair("comparison", "rules", "eq: direct", "eq: {value: 1, unit: V}", None, "is a word"),
    pair("comparison", "rules", "gt: {value: 264, unit: V}", "gt: high", None, "is a voltage"),
    pair("comparison", "rules", "{reading: outlet-voltage", "{reading: lamp", None, "'lamp'"),
    pair("comparison", "rules", "eq: direct", "eq: [direct, stepped]", None, "takes one value"),
    rules(
        "too-many-alternatives",
        [rule("many", {"all": [{"any": [LIT, {"symptom": "dead"}]}] * 7}, PREFER)],
        [rule("many", {"all": [{"any": [LIT, {"symptom": "dead"}]}] * 6}, PREFER)],
    ),
    Example(
        "misspelt-group",
        (Edit("faults", "weak: 0.4}\n    groups: [opens]", "weak: 0.4}\n    groups: [open]"),),
        (
            Edit(
                "faults",
                "weak: 0.4}\n    groups: [opens]",
                "weak: 0.4}\n    groups: [opens, wound]",
            ),
        ),
        "'open'",
    ),
    pair(
        "no-source",
        "checks",
        "      least: {value: 0, unit: Ohm}\n      most: {value: 1000, unit: MOhm}\n"
        "      source: estimate\n",
        "      least: {value: 0.1, unit: Ohm}\n",
        "      least: {value: 0.1, unit: Ohm}\n      source: estimate\n",
        "0.1 has no source",
    ),
    pair("no-source", "rule-set", "minutes_source: estimate", "minutes_source: TBD", None, "'TBD'"),
]

SAFETY = [
    Example(
        "live-on-high-voltage",
        (
            Edit(
                "precautions",
                "    precautions: [no-live-work]\n",
                "    precautions: [no-live-work, watch-it]\n    powered: true\n",
            ),
            Edit(
                "checks",
                "    access: high-voltage-parts\n",
                "    access: high-voltage-parts\n    longest_run: {value: 9, unit: s}\n",
            ),
        ),
        (
            Edit(
                "precautions",
                "    precautions: [no-live-work]\n",
                "    precautions: [no-live-work, watch-it]\n    powered: false\n",
            ),
        ),
    ),
    pair(
        "live-on-high-voltage", "checks", "component: board", "component: store", "component: coil"
    ),
    Example(
        "live-on-high-voltage",
        (
            Edit("checks", STORE + "    minutes: 3", STORE + "    minutes: 4"),
            Edit(
                "checks",
                "    expected_text: Its bleed resistor or more.\n    scale: continuity\n",
                "    expected_text: Its bleed resistor or more.\n    measures:\n"
                + measure("voltage", "V", "closed", "open"),
            ),
        ),
        (Edit("checks", STORE + "    minutes: 3", STORE + "    minutes: 4"),),
        "is never measured",
    ),
    pair("live-without-bound", "checks", "1000, unit: V}", "3, unit: kV}", "600, unit: V}"),
    pair("live-not-marked", "checks", "    live: true\n", "    live: false\n"),
    pair(
        "live-unexplained",
        "checks",
        "    why_live: No dead test shows whether an outlet is supplied.\n",
        "",
        "    dead_alternatives: [fuse-resistance]\n",
    ),
    pair("live-unexplained", "checks", "    instrument_category: CAT II 300 V\n", ""),
    pair(
        "live-alternative",
        "checks",
        "dead_alternatives: [fuse-resistance]",
        "dead_alternatives: [outlet-voltage]",
        "dead_alternatives: [coil-resistance]",
        "outlet-voltage is live itself",
    ),
    pair(
        "alternatives-of-dead",
        "checks",
        COIL,
        "    dead_alternatives: [fuse-resistance]\n" + COIL,
    ),
    pair(
        "not-discharged",
        "precautions",
        INSIDE,
        INSIDE.replace(", capacitor-discharged", ""),
        None,
        "capacitor-discharged",
    ),
    pair(
        "not-discharged",
        "precautions",
        INSIDE,
        INSIDE.replace(", capacitor-discharged", "") + "\n    outside: true",
        None,
        "is not",
    ),
    Example(
        "not-discharged",
        (Edit("precautions", INSIDE, f"{INSIDE}\n    outside: true"),),
        (
            Edit(
                "precautions",
                "title: From outside\n    requires: []",
                "title: From outside\n    outside: true\n    requires: [supply-disconnected]",
            ),
        ),
    ),
    pair("not-discharged", "checks", "access: inside", "access: outside", None, "behind the cover"),
    Example(
        "not-discharged",
        (
            Edit("checks", "access: high-voltage-parts", "access: outside"),
            Edit("faults", "access: inside", "access: high-voltage-parts"),
        ),
        (Edit("faults", "access: inside", "access: high-voltage-parts"),),
    ),
    pair(
        "unconfirmable-need",
        "precautions",
        "after: [supply-disconnected]",
        "after: [supply-disconnected, no-live-work]",
        "after: [supply-disconnected, capacitor-discharged]",
        "cannot be confirmed",
    ),
    Example(
        "unconfirmable-need",
        (
            Edit(
                "precautions",
                "text: Nobody may use it.\n",
                "text: Nobody may.\n    confirm: true\n",
            ),
            Edit("precautions", "after: [supply-disconnected]", "after: [do-not-use]"),
        ),
        (),
        "no preparation",
    ),
    pair(
        "needs-out-of-order",
        "precautions",
        INSIDE,
        "title: Behind the cover\n    requires: [capacitor-discharged, supply-disconnected]",
        None,
        "before 'supply-disconnected'",
    ),
    pair(
        "preparation-cycle",
        "precautions",
        "    confirms: supply-disconnected\n",
        "    confirms: supply-disconnected\n    after: [cover-fitted]\n",
        "    confirms: supply-disconnected\n    precautions: [local-codes]\n",
    ),
    pair(
        "preparation-twice",
        "precautions",
        "access:\n",
        "  - {id: pulling, confirms: supply-disconnected, title: Pull, why: So., how: [Pull.], "
        "minutes: 1, tools: [], source: estimate}\naccess:\n",
    ),
    pair(
        "idle-preparation",
        "precautions",
        "access:\n",
        "  - {id: telling, confirms: do-not-use, title: Tell, why: So., how: [Tell.], "
        "minutes: 1, tools: [], source: estimate}\naccess:\n",
        None,
        "does not have to be confirmed",
    ),
    Example(
        "idle-preparation",
        (
            Edit(
                "precautions",
                "text: Nobody may use it.\n",
                "text: Nobody may.\n    confirm: true\n",
            ),
            Edit(
                "precautions",
                "access:\n",
                "  - {id: telling, confirms: do-not-use, title: Tell, why: So., how: [Tell.], "
                "minutes: 1, tools: [], source: estimate}\naccess:\n",
            ),
        ),
        (
            Edit(
                "precautions",
                "text: Nobody may use it.\n",
                "text: Nobody may.\n    confirm: true\n",
            ),
            Edit(
                "precautions",
                "access:\n",
                "  - {id: telling, confirms: do-not-use, title: Tell, why: So., how: [Tell.], "
                "minutes: 1, tools: [], source: estimate}\naccess:\n",
            ),
            Edit(
                "precautions",
                "closes_with: [cover-fitted]",
                "closes_with: [do-not-use, cover-fitted]",
            ),
        ),
        "nothing waits for",
    ),
    Example(
        "idle-confirmation",
        (
            Edit(
                "precautions",
                "text: Nobody may use it.\n",
                "text: Nobody may.\n    confirm: true\n",
            ),
        ),
        (
            Edit(
                "precautions",
                "text: Nobody may use it.\n",
                "text: Nobody may.\n    confirm: true\n",
            ),
            Edit("rules", "", rule("told", {"confirmed": "do-not-use"}, PREFER)),
        ),
    ),
    pair(
        "never-withdrawn",
        "precautions",
        "    withdrawn_by: [cover-fitted]\n    void_when_energised: true\n    text: Clip",
        "    void_when_energised: true\n    text: Clip",
        None,
        "stay confirmed",
    ),
    pair(
        "never-withdrawn",
        "precautions",
        "    confirm: true\n    text: Fit",
        "    confirm: true\n    withdrawn_by: [local-codes]\n    text: Fit",
        "    confirm: true\n    withdrawn_by: [supply-disconnected]\n    text: Fit",
        "takes nothing back",
    ),
    pair(
        "never-closed",
        "precautions",
        "title: From outside\n",
        "title: From outside\n    powered: true\n    precautions: [watch-it]\n",
        "title: From outside\n    powered: true\n    precautions: [watch-it]\n"
        "    closes_with: [cover-fitted]\n",
    ),
    pair("run-without-end", "checks", "    longest_run: {value: 30, unit: s}\n", ""),
    pair(
        "run-without-end",
        "checks",
        "    access: outlet\n",
        "    access: outlet\n    longest_run: {value: 10, unit: s}\n",
        None,
        "is not energised",
    ),
    pair(
        "run-unwatched",
        "precautions",
        "    ends_run: true\n",
        "",
    ),
    Example(
        "danger-not-marked",
        (Edit("rules", "", OPEN_STOPS),),
        (
            Edit("rules", "", OPEN_STOPS),
            Edit("faults", "    effect: true\n", "    effect: true\n    dangerous: true\n"),
        ),
        "work stops where fuse-resistance reads open",
    ),
    pair(
        "outlives-energising",
        "precautions",
        "    void_when_energised: true\n    text: Pull",
        "    text: Pull",
    ),
    pair(
        "live-without-isolation",
        "precautions",
        INSIDE,
        INSIDE.replace("discharged]", "discharged, leads-clipped]"),
        None,
        "nothing isolates",
    ),
]

MODELLING = [
    pair(
        "nameplate-bounds",
        "rule-set",
        "default: {value: 230",
        "default: {value: 300",
        "default: {value: 240",
        "`default`",
    ),
    pair(
        "nameplate-bounds",
        "rule-set",
        "{value: 115, unit: V}",
        "{value: 11.5, unit: V}",
        "{value: 110, unit: V}",
        "`nominals`",
    ),
    pair(
        "nameplate-bounds",
        "rule-set",
        "most: {value: 264",
        "most: {value: 26.4",
        None,
        "below `most`",
    ),
    pair(
        "nameplate-bounds",
        "rule-set",
        "default_uncertainty: {value: 5",
        "default_uncertainty: {value: -5",
        "default_uncertainty: {value: 0",
        "uncertainty",
    ),
    pair(
        "nameplate-bounds",
        "rule-set",
        "deviation: {least: 0.8, most: 1.05, source: estimate}",
        "deviation: {least: 1.02, most: 1.05, source: estimate}",
        "deviation: {least: 1, most: 1.05, source: estimate}",
        "1 is not within",
    ),
    pair(
        "nameplate-bounds",
        "rule-set",
        "    deviation: {least: 0.8, most: 1.05, source: estimate}\n",
        "",
        None,
        "without `deviation`",
    ),
    pair(
        "plate-energised",
        "rule-set",
        "    access: inside  # of the plate",
        "    access: running",
        "    access: outside",
    ),
    pair("duplicate-id", "rule-set", "  - id: rating-plate", "  - id: lamp", None, "'lamp'"),
    pair(
        "unknown-id",
        "rule-set",
        "    fields: [supply_voltage]",
        "    fields: [supply_volts]",
        None,
        "nameplate field",
    ),
    pair(
        "measured-in-passing",
        "checks",
        "    title: Resistance of the coil\n",
        "    title: Resistance of the coil\n    in_passing: true\n",
    ),
    pair(
        "question-asks-too-much",
        "checks",
        "    access: talk",
        "    access: inside",
        None,
        "`access`",
    ),
    pair(
        "question-asks-too-much",
        "checks",
        "    tools: []  # of the question",
        "    tools: [meter]",
        None,
        "`tools`",
    ),
    pair(
        "cannot-deduce",
        "rule-set",
        "deduce_from: [outlet-voltage]",
        "deduce_from: [lamp]",
        "deduce_from: [outlet-voltage, coil-voltage]",
        "lamp",
    ),
    pair(
        "cannot-deduce",
        "rule-set",
        "    nominals: [{value: 115, unit: V}, {value: 230, unit: V}]\n",
        "",
        "    nominals: [{value: 230, unit: V}]\n",
        "without `nominals`",
    ),
    pair(
        "capacitor-fields", "rule-set", "  capacitance: capacitance", "  capacitance: rated_voltage"
    ),
    pair(
        "tuning-range",
        "rule-set",
        "certain: {value: 0.9,",
        "certain: {value: 0.4,",
        "certain: {value: 0.95,",
    ),
    pair(
        "tuning-range",
        "rule-set",
        "cure_overlooked: {value: 0.03,",
        "cure_overlooked: {value: 0,",
        "cure_overlooked: {value: 0.001,",
    ),
    pair(
        "instrument-bounds",
        "rule-set",
        "range: {value: 40, unit: MOhm}",
        "range: {value: 40, unit: mOhm}",
        "range: {value: 60, unit: MOhm}",
    ),
    pair(
        "instrument-bounds",
        "rule-set",
        "lead_resistance: {value: 0.2",
        "lead_resistance: {value: -0.2",
        "lead_resistance: {value: 0",
    ),
    pair(
        "no-instrument",
        "checks",
        COIL_DEFAULT,
        measure("inductance", "mH", "open", "whole") + COIL_DEFAULT,
        measure("voltage", "V", "open", "whole") + COIL_DEFAULT,
    ),
    pair(
        "outcomes-overlap",
        "checks",
        COIL_DEFAULT,
        measure("voltage", "V", "open", "whole", "open") + COIL_DEFAULT,
        measure("voltage", "V", "open", "whole", "shorted") + COIL_DEFAULT,
        "'open' covers two",
    ),
    pair(
        "same-quantity-twice",
        "checks",
        COIL_DEFAULT,
        measure("resistance", "Ohm", "open", "whole") + COIL_DEFAULT,
        measure("voltage", "V", "open", "whole") + COIL_DEFAULT,
    ),
    Example(
        "reserved-outcome",
        (
            *tuple(Edit("checks", "dark", "invalid") for _ in range(4)),
            Edit("rules", "outcome: dark", "outcome: invalid"),
        ),
        (
            *tuple(Edit("checks", "dark", "unlit") for _ in range(4)),
            Edit("rules", "outcome: dark", "outcome: unlit"),
        ),
    ),
    pair("limits-out-of-order", "checks", "10, unit: kOhm", "10, unit: Ohm", "20, unit: kOhm"),
    pair(
        "measure-bounds",
        "checks",
        "most: {value: 1000, unit: MOhm}",
        "most: {value: 1, unit: Ohm}",
        "most: {value: 10, unit: Ohm}",
    ),
    pair(
        "reading-condition",
        "checks",
        COIL,
        "    conditions: [{id: where, title: Where, choices: [bench, rig], accept: [bench, rig], "
        "source: estimate}]\n" + COIL,
        "    conditions: [{id: where, title: Where, choices: [bench, rig], accept: [bench], "
        "source: estimate}]\n" + COIL,
        "everything meets",
    ),
    pair(
        "reading-condition",
        "checks",
        COIL,
        "    conditions: [{id: warmth, title: Warmth, quantity: temperature, least: {value: 40, "
        "unit: Cel}, most: {value: 4, unit: Cel}, source: estimate}]\n" + COIL,
        None,
        "nothing can meet",
    ),
    pair(
        "test-voltage",
        "checks",
        COIL,
        "    test_voltage: {outcome: open, confused_with: [open], least: {value: 9, unit: V}, "
        "assumed: {value: 3, unit: V}, source: estimate}\n" + COIL,
        "    test_voltage: {outcome: open, confused_with: [whole], least: {value: 9, unit: V}, "
        "assumed: {value: 3, unit: V}, source: estimate}\n" + COIL,
    ),
    pair(
        "not-a-calculation",
        "checks",
        COIL,
        "    calculation: water-laod-power\n" + COIL,
        None,
        "unknown calculation",
    ),
    pair(
        "not-a-calculation",
        "checks",
        COIL,
        "    calculation: capacitor-discharge\n" + COIL,
        None,
        "no reading",
    ),
    Example(
        "too-many-states",
        (
            Edit(
                "faults",
                "remedies:\n",
                "".join(
                    fault(
                        f"fault-{one}",
                        "    conditions: {"
                        + ", ".join(f"wet-{two}: 0.01" for two in range(29))
                        + "}\n",
                    )
                    for one in range(140)
                )
                + "remedies:\n",
            ),
            Edit("faults", "", "".join(condition(f"wet-{one}") for one in range(29))),
            Edit(
                "checks",
                LAMP_ROWS,
                f"      - {{given: [{', '.join(f'wet-{one}' for one in range(29))}], "
                "p: {lit: 0.01, dark: 0.99}, source: estimate}\n" + LAMP_ROWS,
            ),
        ),
        (
            Edit(
                "faults",
                "remedies:\n",
                "".join(
                    fault(f"fault-{one}", "    conditions: {fuse-blown: 0.5}\n")
                    for one in range(140)
                )
                + "remedies:\n",
            ),
        ),
    ),
    pair(
        "row-for-no-fault",
        "checks",
        LAMP_ROWS,
        "      - {for: [no-fault-present], p: {lit: 0.99, dark: 0.01}, source: estimate}\n"
        + LAMP_ROWS,
        "      - {for: [unlisted-fault], p: {lit: 0.5, dark: 0.5}, source: estimate}\n" + LAMP_ROWS,
    ),
    pair(
        "unexpected-default",
        "checks",
        "expected: [lit]",
        "expected: [dark]",
        "expected: [lit, dark]",
    ),
    pair(
        "healthy-part-fails",
        "checks",
        "expected: [lit]\n",
        "expected: [lit]\n    passes: [dark]\n",
        "expected: [lit]\n    passes: [lit, dark]\n",
    ),
    pair(
        "idle-check",
        "checks",
        "    rows: []\n    source: common practice\n",
        "    rows: []\n    source: common practice\n  - {id: smell, title: Smell, component: coil, "
        "scope: function, access: outside, minutes: 1, tools: [], why: So., how: [Smell.], "
        "expected: [none], expected_text: None., outcomes: [none, burnt], "
        "default: {p: {none: 0.9, burnt: 0.1}, source: estimate}, rows: [], source: estimate}\n",
        "    rows: []\n    source: common practice\n  - {id: smell, title: Smell, component: coil, "
        "scope: function, access: outside, minutes: 1, tools: [], why: So., how: [Smell.], "
        "expected: [none], expected_text: None., outcomes: [none, burnt], "
        "default: {p: {none: 0.9, burnt: 0.1}, source: estimate}, rows: [{for: [coil-open], "
        "p: {none: 0.5, burnt: 0.5}, source: estimate}], source: estimate}\n",
    ),
    pair(
        "instead-of-itself",
        "checks",
        COIL,
        "    instead: [coil-resistance]\n" + COIL,
        "    instead: [lamp]\n" + COIL,
    ),
    pair(
        "no-fault",
        "faults",
        "    verdict_needs: [[lamp]]\n",
        "",
        "    verdict_needs: [[lamp, coil-resistance]]\n",
        "proves",
    ),
    pair(
        "no-fault",
        "faults",
        "remedy: explain-use\n",
        "remedy: explain-use\n    conditions: {fuse-blown: 0.1}\n",
        None,
        "nothing follows",
    ),
    Example(
        "no-fault",
        (
            Edit("faults", "id: no-fault-present", "id: nothing-wrong"),
            Edit(
                "faults",
                "remedy: explain-use\n",
                "remedy: explain-use\n    conditions: {fuse-blown: 0.1}\n",
            ),
        ),
        (),
        "is missing",
    ),
    pair(
        "unconfirmable-fault",
        "faults",
        "remedies:\n",
        fault("lamp-loose") + "remedies:\n",
        fault("lamp-loose", "    conditions: {fuse-blown: 0.5}\n") + "remedies:\n",
    ),
    pair(
        "effect-without-cause",
        "faults",
        "    effect: true\n    verdict_needs: [[coil-resistance]]\n",
        "    effect: true\n",
        "    effect: true\n    verdict_needs: [[store-insulation]]\n",
    ),
    pair("fault-without-symptom", "faults", "{dead: 0.3, weak: 0.4}", "{}", "{dead: 0.1}"),
    Example(
        "unexplained-symptom",
        (Edit("symptoms", "", "  - {id: noisy, title: Noise, source: estimate}\n"),),
        (
            Edit("symptoms", "", "  - {id: noisy, title: Noise, source: estimate}\n"),
            Edit("faults", "{dead: 0.3,", "{noisy: 0.2, dead: 0.3,"),
        ),
    ),
    pair(
        "cause-cycle",
        "faults",
        "    remedy: replace-store\n",
        "    causes: {coil-open: 0.1}\n    remedy: replace-store\n",
        "    causes: {fuse-aged: 0.1}\n    remedy: replace-store\n",
        "coil-open -> store-shorted -> coil-open",
    ),
    pair(
        "never-alone",
        "faults",
        "{store-shorted: 0.05}",
        "{store-shorted: 1}",
        "{store-shorted: 0.9}",
    ),
    pair(
        "no-chance-left",
        "faults",
        "unlisted: 0.1",
        "unlisted: 1",
        "unlisted: 0.9",
        "unlisted fault",
    ),
    Example(
        "no-chance-left",
        (
            Edit("faults", "conditions: {fuse-blown: 0.1}", "conditions: {fuse-blown: 1}"),
            Edit(
                "faults",
                "symptom_weights: {dead: 2}",
                "symptom_weights: {}\n    given_symptom: {dead: 0.9}",
            ),
        ),
        (
            Edit(
                "faults",
                "symptom_weights: {dead: 2}",
                "symptom_weights: {}\n    given_symptom: {dead: 0.9}",
            ),
        ),
        "none of them is never",
    ),
    Example(
        "no-chance-left",
        (
            Edit("faults", "{fuse-blown: 0.1}", "{fuse-blown: 0.1, wet: 0.1}"),
            Edit(
                "faults",
                "symptom_weights: {dead: 2}",
                "symptom_weights: {}\n    given_symptom: {dead: 0.6}",
            ),
            Edit(
                "faults",
                "",
                condition("wet").replace(
                    "symptom_weights: {}", "symptom_weights: {}\n    given_symptom: {dead: 0.4}"
                ),
            ),
            Edit("checks", "{given: [fuse-blown]", "{given: [fuse-blown, wet]"),
        ),
        (
            Edit("faults", "{fuse-blown: 0.1}", "{fuse-blown: 0.1, wet: 0.1}"),
            Edit(
                "faults",
                "symptom_weights: {dead: 2}",
                "symptom_weights: {}\n    given_symptom: {dead: 0.6}",
            ),
            Edit(
                "faults",
                "",
                condition("wet").replace(
                    "symptom_weights: {}", "symptom_weights: {}\n    given_symptom: {dead: 0.3}"
                ),
            ),
            Edit("checks", "{given: [fuse-blown]", "{given: [fuse-blown, wet]"),
        ),
        "nothing would be left",
    ),
    Example(
        "idle-condition",
        (
            Edit("faults", "", condition("wet")),
            Edit("checks", "{given: [fuse-blown]", "{given: [fuse-blown, wet]"),
        ),
        (
            Edit("faults", "", condition("wet")),
            Edit("checks", "{given: [fuse-blown]", "{given: [fuse-blown, wet]"),
            Edit("faults", "{fuse-blown: 0.1}", "{fuse-blown: 0.1, wet: 0.1}"),
        ),
        "no fault leaves",
    ),
    Example(
        "idle-condition",
        (
            Edit("faults", "", condition("wet")),
            Edit("faults", "{fuse-blown: 0.1}", "{fuse-blown: 0.1, wet: 0.1}"),
        ),
        (
            Edit("faults", "", condition("wet") + "    dormant: true\n"),
            Edit("faults", "{fuse-blown: 0.1}", "{fuse-blown: 0.1, wet: 0.1}"),
        ),
        "no check feels",
    ),
    Example(
        "idle-remedy",
        (
            Edit(
                "faults",
                "remedies:\n",
                "remedies:\n  - {id: pray, action: Pray., minutes: 1, access: outside, "
                "parts: [], source: estimate}\n",
            ),
        ),
        (
            Edit(
                "faults",
                "remedies:\n",
                "remedies:\n  - {id: pray, action: Pray., minutes: 1, access: outside, "
                "parts: [], source: estimate}\n",
            ),
            Edit(
                "faults",
                "remedies:\n",
                fault("lamp-loose", "    conditions: {fuse-blown: 0.5}\n").replace(
                    "replace-fuse", "pray"
                )
                + "remedies:\n",
            ),
        ),
    ),
    pair(
        "unproven-remedy",
        "faults",
        "    checks_after: [lamp]\n",
        "",
        "    checks_after: [fuse-resistance]\n",
    ),
    Example(
        "unpriced-part",
        (Edit("faults", "also_replace: [fuse]", "also_replace: [lid]"), LID),
        (Edit("faults", "also_replace: [fuse]", "also_replace: [store]"),),
    ),
    pair(
        "misspelt-component",
        "faults",
        "component: coil\n",
        "component: coill\n",
        "component: winding\n",
        "'coill'",
    ),
    pair(
        "misspelt-component",
        "checks",
        "component: supply\n",
        "component: stores\n",
        "component: outlet\n",
        "'stores'",
    ),
    pair(
        "instrument-bounds",
        "rule-set",
        "percent_of_reading: 1\n",
        "percent_of_reading: 101\n",
        "percent_of_reading: 99\n",
    ),
    pair(
        "unknown-figure",
        "precautions",
        "Wait {wait}",
        "Wait {wiat}",
        "Wait {wait} for {energy}",
        "{wiat}",
    ),
    pair(
        "unknown-figure",
        "checks",
        "[Look at the lamp.]",
        '["Look at {lamp}."]',
        "[Look.]",
        "{lamp}",
    ),
    pair(
        "unknown-figure",
        "rules",
        "Nothing is run",
        "Nothing is run at {peak}, not",
        "Never run",
        "{peak}",
    ),
    Example(
        "idle-precaution",
        (
            Edit(
                "precautions",
                "preparations:\n",
                "  - {id: gloves, signal_word: NOTICE, text: Gloves., "
                "source: estimate}\npreparations:\n",
            ),
        ),
        (
            Edit(
                "precautions",
                "preparations:\n",
                "  - {id: gloves, signal_word: NOTICE, text: Gloves., "
                "source: estimate}\npreparations:\n",
            ),
            Edit(
                "precautions",
                "title: From outside\n",
                "title: From outside\n    precautions: [gloves]\n",
            ),
        ),
    ),
    Example(
        "idle-tool",
        (Edit("rule-set", "", "  torch: Torch\n"),),
        (Edit("rule-set", "", "  torch: Torch\n"), Edit("checks", "tools: []", "tools: [torch]")),
    ),
    Example(
        "idle-part",
        (LID,),
        (LID, Edit("faults", "parts: [coil]", "parts: [coil, lid]")),
        "no remedy and no condition",
    ),
    Example(
        "idle-access",
        (Edit("precautions", "", "  - {id: above, title: From above, requires: []}\n"),),
        (
            Edit("precautions", "", "  - {id: above, title: From above, requires: []}\n"),
            Edit("faults", "access: outside", "access: above"),
            Edit("precautions", "  - id: outside\n    title: From outside\n    requires: []\n", ""),
        ),
    ),
]

EARLIER = [
    {"earlier": check, "possible": outcome}
    for check, outcomes in (
        ("lamp", ("lit", "dark")),
        ("coil-resistance", ("shorted", "whole", "open")),
        ("fuse-resistance", ("closed", "open")),
        ("store-insulation", ("closed", "open")),
        ("outlet-voltage", ("absent", "present", "high")),
        ("coil-voltage", ("unfed", "fed")),
    )
    for outcome in outcomes
]
REPLACED = [{"replaced": part} for part in ("fuse", "coil", "store")]
PAIRS = [{"all": [one, two]} for one, two in combinations(EARLIER, 2)]


def volts(number: int) -> dict[str, object]:
    """A comparison that no other number makes."""
    return {"nameplate": "supply_voltage", "gt": {"value": 100 + number / 10, "unit": "V"}}


def weigh(number: int) -> dict[str, object]:
    """A consequence that no other number has."""
    return {"weigh": "coil-open", "ratio": number + 2, "source": "estimate"}


def sharing(rules_of_one: int) -> list[str]:
    """Four rules with so many alternatives each, which all ask for a lit lamp."""
    some = {"any": PAIRS[:rules_of_one]}
    beside = [LAMP, *({"not": one} for one in REPLACED)]
    return [
        rule(f"shared-{n}", {"all": [LIT, one, some]}, weigh(n)) for n, one in enumerate(beside)
    ]


def telling(number: int) -> list[str]:
    """So many rules of fifteen different comparisons each."""
    return [
        rule(f"told-{n}", {"all": [volts(15 * n + at) for at in range(15)]}, weigh(n))
        for n in range(number)
    ]


def alternatives(number: int) -> list[str]:
    """So many rules of 42 alternatives each."""
    some = [{"all": [one, {"not": two}]} for one in EARLIER for two in REPLACED]
    return [rule(f"many-{n}", {"all": [volts(n), {"any": some}]}, weigh(n)) for n in range(number)]


RULES = [
    rules(
        "not-chainable",
        [rule("odd", {"all": [LAMP, {"not": {"state": "odd"}}]}, {"derive": "odd"}, PREFER)],
        [
            rule(
                "odd",
                {"all": [LAMP, {"not": {"state": "not-supplied"}}]},
                {"derive": "odd"},
                PREFER,
            )
        ],
        "negates what follows from it",
    ),
    rules(
        "not-chainable",
        [rule("long", {"all": [*EARLIER, *REPLACED]}, PREFER)],
        [rule("long", {"all": [*EARLIER, *REPLACED[:2]]}, PREFER)],
        "17 premises; the limit is 16",
    ),
    rules("not-chainable", alternatives(10), alternatives(5), "rules; the limit is 400"),
    rules("not-chainable", sharing(63), sharing(62), "more than 250 rules have finding/lamp/lit"),
    rules("not-chainable", telling(34), telling(32), "more than 499 different premises"),
    pair(
        "nothing-derives",
        "rules",
        "state: not-supplied}",
        "state: unsupplied}",
        "finding: lamp}",
        "state 'unsupplied'",
    ),
    rules(
        "nothing-derives",
        [rule("never", {"required": "no-live-work"}, PREFER)],
        [rule("never", {"required": "do-not-use"}, PREFER)],
        "require 'no-live-work'",
    ),
    rules(
        "rule-cycle",
        [
            rule("here", {"any": [FUSE_OPEN, {"state": "there"}]}, {"derive": "here"}),
            rule("there", {"state": "here"}, {"derive": "there"}, PREFER),
        ],
        [
            rule("here", FUSE_OPEN, {"derive": "here"}),
            rule("there", {"state": "here"}, {"derive": "there"}, PREFER),
        ],
        "here -> there -> here",
    ),
    rules(
        "rule-cycle",
        [rule("self", {"all": [LAMP, {"state": "me"}]}, {"derive": "me"})],
        None,
        "self -> self",
    ),
    rules(
        "never-fires",
        [rule("both", {"all": [LIT, DARK]}, PREFER)],
        [rule("both", {"any": [LIT, DARK]}, PREFER)],
        "lamp cannot be dark and lit at once",
    ),
    rules(
        "never-fires",
        [rule("odd", {"all": [{"symptom": "dead"}, {"symptom": "weak"}]}, PREFER)],
        [rule("odd", {"symptom": ["dead", "weak"]}, PREFER)],
        "one complaint",
    ),
    rules(
        "never-fires",
        [rule("odd", {"all": [{"symptom": "dead"}, {"phase": "verify-repair"}]}, PREFER)],
        [rule("odd", {"all": [{"symptom": "dead"}, {"phase": "diagnose"}]}, PREFER)],
        "verify-repair",
    ),
    rules(
        "never-fires",
        [rule("odd", {"all": [LIT, {"not": LAMP}]}, PREFER)],
        [rule("odd", {"all": [LAMP, {"not": LIT}]}, PREFER)],
        "answered/lamp follows",
    ),
    rules(
        "never-fires",
        [rule("odd", {"all": [LAMP, {"not": LAMP}]}, PREFER)],
        [rule("odd", {"any": [LAMP, {"not": LIT}]}, PREFER)],
        "can never hold",
    ),
    rules(
        "never-fires",
        [
            rule(
                "odd",
                {
                    "all": [
                        {"reading": "outlet-voltage", "lt": {"value": 100, "unit": "V"}},
                        {"reading": "outlet-voltage", "gt": {"value": 0.2, "unit": "kV"}},
                    ]
                },
                PREFER,
            )
        ],
        [
            rule(
                "odd",
                {
                    "all": [
                        {"reading": "outlet-voltage", "gt": {"value": 100, "unit": "V"}},
                        {"reading": "outlet-voltage", "lt": {"value": 0.2, "unit": "kV"}},
                    ]
                },
                PREFER,
            )
        ],
        "no value is",
    ),
    rules(
        "never-fires",
        [
            rule(
                "odd",
                {
                    "all": [
                        {"nameplate": "make", "ne": "direct"},
                        {"nameplate": "make", "ne": "stepped"},
                    ]
                },
                PREFER,
            )
        ],
        [rule("odd", {"all": [{"nameplate": "make", "ne": "direct"}, LAMP]}, PREFER)],
        "no value is",
    ),
    rules(
        "never-fires",
        [rule("odd", {"any": [LIT, {"all": [LIT, DARK]}]}, PREFER)],
        None,
        "one of its alternatives",
    ),
    Example(
        "never-fires",
        (
            Edit(
                "rules",
                "",
                rule("odd", {"all": [LIT, DARK]}, {"derive": "odd"})
                + rule("after", {"state": "odd"}, PREFER),
            ),
        ),
        (
            Edit(
                "rules",
                "",
                rule("odd", {"any": [LIT, FUSE_OPEN]}, {"derive": "odd"})
                + rule("after", {"state": "odd"}, PREFER),
            ),
        ),
        "can never fire: what brings about 'state odd'",
    ),
    rules(
        "decides-nothing",
        [rule("odd", {"nameplate": "supply_voltage", "gt": {"value": 300, "unit": "V"}}, PREFER)],
        [rule("odd", {"nameplate": "supply_voltage", "gt": {"value": 200, "unit": "V"}}, PREFER)],
        "so for no value",
    ),
    rules(
        "decides-nothing",
        [rule("odd", {"all": [LAMP, {"nameplate": "make", "in": ["direct", "stepped"]}]}, PREFER)],
        [rule("odd", {"all": [LAMP, {"nameplate": "make", "in": ["direct"]}]}, PREFER)],
        "so for every value",
    ),
    pair(
        "never-admitted",
        "rules",
        "      - {admit: coil-voltage}\n",
        "",
        "      - {admit: [coil-voltage]}\n",
    ),
    pair(
        "admits-nothing",
        "rules",
        "      - {prefer: outlet-voltage}\n",
        "      - {admit: outlet-voltage}\n",
        "      - {prefer: lamp}\n",
        "outlet-voltage",
    ),
    pair(
        "unlisted-excluded",
        "rules",
        "{exclude: store-shorted}",
        "{exclude: [store-shorted, unlisted-fault]}",
        "{exclude: [store-shorted, coil-open]}",
    ),
    pair("weighs-nothing", "rules", "ratio: 2", "ratio: 1", "ratio: 0.5"),
    pair(
        "barred-by-itself",
        "rules",
        "      - {exclude: store-shorted}\n",
        "      - {prefer: store-insulation}\n",
        "      - {prefer: lamp}\n",
    ),
    rules(
        "idle-rule",
        [rule("odd", FUSE_OPEN, {"derive": "odd"})],
        [rule("odd", FUSE_OPEN, {"derive": "odd"}), rule("so", {"state": "odd"}, PREFER)],
    ),
    rules(
        "rule-twice",
        [rule("one", FUSE_OPEN, PREFER), rule("two", FUSE_OPEN, PREFER)],
        [rule("one", FUSE_OPEN, PREFER), rule("two", {**FUSE_OPEN, "outcome": "closed"}, PREFER)],
    ),
    rules(
        "rule-subsumed",
        [
            rule(
                "odd",
                {"all": [{"nameplate": "make", "eq": "direct"}, {"symptom": "dead"}]},
                {"bar": "store-insulation"},
            )
        ],
        [
            rule(
                "odd",
                {"all": [{"nameplate": "make", "eq": "direct"}, {"symptom": "dead"}]},
                {"bar": "lamp"},
            )
        ],
        "fed-directly does so, too",
    ),
]

EXAMPLES = [*VALUES, *SAFETY, *MODELLING, *RULES]
