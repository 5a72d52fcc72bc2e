"""The codes of everything that may be wrong with a rule set, and what each means."""

from __future__ import annotations

from collections.abc import Mapping

# Files, before anything is known of what they say.
FILES: Mapping[str, str] = {
    "no-rule-set": "A folder that holds no rule set.",
    "changes": "Changes to an installed rule set that cannot be made.",
    "case-not-met": "An own case that does not get what it expects (told at a reload).",
    "equipment-taken": "Two rule sets for the same type of equipment.",
    "unreadable": "A file that is missing or cannot be read.",
    "too-large": "A file, text or number of values that no rule set needs.",
    "too-deep": "Values nested deeper than any rule set needs.",
    "encoding": "A file that is not UTF-8.",
    "yaml-syntax": "A file that is not YAML.",
    "yaml-empty": "A file that holds nothing.",
    "yaml-documents": "More than one document in a file.",
    "yaml-directive": "A directive, which changes what is read.",
    "yaml-alias": "An anchor or alias: a value that stands elsewhere.",
    "yaml-tag": "A tag: a value that is something else than it looks like.",
    "yaml-key": "A merge key, or a key that is no text.",
    "duplicate-key": "A key twice in one mapping.",
    "yaml-date": "A date without quotes, where there are only texts and numbers.",
    "yaml-number": "A number that is not plain decimal, or beyond any real quantity.",
    "yaml-character": "A character that nobody sees.",
}

# Shape and meaning of each value by itself.
VALUES: Mapping[str, str] = {
    "shape": "A key that is missing or unknown, or a value of the wrong kind.",
    "duplicate-id": "An id twice in one table.",
    "unknown-id": "An id that nothing has.",
    "unit": "A unit that is not known, or of another quantity.",
    "built-in-fault": "A fault listed that every rule set has.",
    "preparation-is-check": "A preparation with the id of a check.",
    "nameplate-kind": "A nameplate field that is neither a quantity nor a word, or both.",
    "price-class": "A remedy whose parts have no price, or no class for remedies without parts.",
    "untitled-part": "A part that is replaced, and that has no title.",
    "tuning-missing": "A number of the reasoning that is missing.",
    "over-one": "Probabilities of one fault that sum to more than 1.",
    "no-outcomes": "A check without outcomes.",
    "stray-outcome": "A measured outcome that the check does not list.",
    "hole": "Values of a measurement that belong to no outcome.",
    "limit-follows": "A limit that cannot follow the nameplate field that it names.",
    "unbounded": "A condition of a reading without bounds.",
    "row-sum": "A row of probabilities that does not sum to 1.",
    "row-zero": "An outcome that would be impossible.",
    "row-twice": "Two rows of a check for the same fault and condition.",
    "comparison": "A comparison of unlike things.",
    "too-many-alternatives": "A condition with more than 64 alternatives.",
    "misspelt-group": "A group that nothing asks for, and nearly one that something does.",
    "no-source": "A number that does not say where it comes from.",
}

# What is dangerous, or never asked of anybody.
SAFETY: Mapping[str, str] = {
    "live-on-high-voltage": "A live or powered measurement on high-voltage parts.",
    "live-without-bound": "A live voltage reading that may be of high voltage.",
    "live-not-marked": "Voltage or current measured by a check that is not marked live.",
    "live-unexplained": "A live check without instrument category, or without a reason.",
    "live-alternative": "A dead alternative that is live itself.",
    "alternatives-of-dead": "Dead alternatives to a check that is dead already.",
    "not-discharged": "A place behind the cover that is reached undisconnected or undischarged.",
    "unconfirmable-need": "Something that is waited for and cannot be confirmed.",
    "needs-out-of-order": "A precaution asked for before those that its step needs.",
    "preparation-cycle": "Preparations that wait for each other.",
    "preparation-twice": "Two preparations for the same precaution.",
    "idle-preparation": "A preparation that nothing waits for.",
    "idle-confirmation": "A precaution to be confirmed that nothing waits for.",
    "never-withdrawn": "A confirmation that stays when the equipment is closed up again.",
    "never-closed": "Equipment that may be run open.",
    "outlives-energising": "A confirmation for work inside that counts after the next run.",
    "live-without-isolation": "A place where open equipment is energised with nothing isolated.",
}

# What silently misleads.
MODELLING: Mapping[str, str] = {
    "nameplate-bounds": "An assumed nameplate value that would be refused.",
    "cannot-deduce": "A nameplate value that cannot be told from the reading named.",
    "capacitor-fields": "Nameplate fields that cannot be a capacitor's ratings.",
    "tuning-range": "A number of the reasoning outside its range.",
    "instrument-bounds": "A meter that cannot be.",
    "no-instrument": "A measured quantity without a default instrument.",
    "outcomes-overlap": "An outcome that covers two spans of a measurement.",
    "same-quantity-twice": "Two measures of the same quantity in one check.",
    "reserved-outcome": "An outcome with the name of a reading that decides nothing.",
    "limits-out-of-order": "Limits that do not rise.",
    "measure-bounds": "A limit outside the readings that are accepted.",
    "reading-condition": "A condition of a reading that parts nothing.",
    "test-voltage": "A test voltage that cannot matter.",
    "not-a-calculation": "A calculation that is not known, or makes no reading.",
    "too-many-states": "More states than can be worked on in a request.",
    "row-for-no-fault": "A row for the fault that takes the default one.",
    "unexpected-default": "A default row by which healthy parts read as faulty.",
    "healthy-part-fails": "An expected outcome that fails the proof of a repair.",
    "idle-check": "A check that tells nothing and that nothing asks for.",
    "instead-of-itself": "A check that stands in for itself.",
    "no-fault": "No hypothesis that nothing is wrong, or one that cannot be.",
    "unconfirmable-fault": "A fault that no check can confirm.",
    "effect-without-cause": "An effect whose causes nothing rules out.",
    "fault-without-symptom": "A fault that nobody would complain of.",
    "unexplained-symptom": "A symptom that no fault brings about.",
    "cause-cycle": "A fault that causes itself, by whatever way.",
    "never-alone": "A fault that would always cause another one.",
    "no-chance-left": "Conditions that leave no chance to any other, or to none.",
    "idle-condition": "A condition that no fault brings about, or no check feels.",
    "idle-remedy": "A remedy that no fault asks for.",
    "unproven-remedy": "Parts replaced, and nothing that shows it was done well.",
    "unpriced-part": "A part that is replaced, and that no remedy has among its parts.",
    "misspelt-component": "A component that only one fault or check has, and nearly another's.",
    "unknown-figure": "Braces in a text that are filled with nothing.",
    "idle-precaution": "A precaution that nothing asks for.",
    "idle-tool": "A tool that nothing needs.",
    "idle-part": "A part that nothing replaces.",
    "idle-access": "A place at which nothing is.",
}

# Rules, and what the engine can do with them.
RULES: Mapping[str, str] = {
    "not-chainable": "A circle through a negation, or more than the engine stands.",
    "nothing-derives": "A state, admission or requirement that no rule brings about.",
    "rule-cycle": "A rule that leads back to itself.",
    "never-fires": "A rule, or an alternative of one, that can never hold.",
    "decides-nothing": "A comparison that holds for every value that there may be, or for none.",
    "never-admitted": "A check that waits for a rule, and no rule admits it.",
    "admits-nothing": "A check admitted by a rule that does not wait for any.",
    "unlisted-excluded": "The unlisted fault excluded by a rule.",
    "weighs-nothing": "A likelihood ratio of 1.",
    "barred-by-itself": "A check that a rule both bars and asks for.",
    "idle-rule": "A rule whose only consequence is a state that nothing asks for.",
    "rule-twice": "Two rules that say the same.",
    "rule-subsumed": "A rule that another one makes superfluous.",
}

CODES: Mapping[str, str] = {**FILES, **VALUES, **SAFETY, **MODELLING, **RULES}
