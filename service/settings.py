"""Settings of the service, from the environment."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from service.documents import MAX_BODY_BYTES
from service.observe.logs import FORMS, Form

MAX_BATCH_BYTES = 1024**3
TRIAL_SECONDS = 60
TRIAL_MEBIBYTES = 2048
CASE_SECONDS = 30
RATE = 100
BURST = 200
AT_A_TIME = 4
MOST_AT_A_TIME = 64


class SettingsError(ValueError):
    """An environment variable that cannot be used; the message names it."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What an operator may choose.

    rules: a folder of rule sets that add to or replace the bundled ones (OHMPATH_RULES).
    max_body_bytes: the largest request body taken, in bytes (OHMPATH_MAX_BODY_BYTES).
    read_seconds: how long a client may take to send one request, or one line of a batch
        (OHMPATH_READ_SECONDS).
    max_batch_bytes: the largest batch taken as lines or a table (OHMPATH_MAX_BATCH_BYTES).
    case_seconds: how long one case may be worked on until the process that hangs on it is replaced
        (OHMPATH_CASE_SECONDS).
    trial_seconds: how long a candidate rule set may be worked on (OHMPATH_TRIAL_SECONDS).
    trial_mebibytes: how much memory that may take (OHMPATH_TRIAL_MEBIBYTES).
    keys: the file of API keys (OHMPATH_KEYS); None: whoever is on this machine may call.
    open: whether others may call without a key, since something in front of the service sees to
        that (OHMPATH_OPEN=yes).
    rate, burst: requests a second that a key may make, and how many at once, where its line in the
        keys file does not say (OHMPATH_RATE, OHMPATH_BURST).
    at_a_time: batches, drawings, PDFs and candidates that a key may have under way
        (OHMPATH_AT_A_TIME).
    log: how logs are written; None for text on a terminal and JSON elsewhere (OHMPATH_LOG).
    log_addresses: whether the log names the addresses of clients (OHMPATH_LOG_ADDRESSES).
    decision_log: a file, or - for standard output (OHMPATH_DECISION_LOG).
    decision_log_batches: whether also cases of batches go there (OHMPATH_DECISION_LOG_BATCHES).
    """

    rules: Path | None = None
    max_body_bytes: int = MAX_BODY_BYTES
    read_seconds: int = 10
    max_batch_bytes: int = MAX_BATCH_BYTES
    trial_seconds: int = TRIAL_SECONDS
    trial_mebibytes: int = TRIAL_MEBIBYTES
    keys: Path | None = None
    open: bool = False
    rate: int = RATE
    burst: int = BURST
    at_a_time: int = AT_A_TIME
    case_seconds: int = CASE_SECONDS
    log: Form | None = None
    log_addresses: bool = False
    decision_log: str | None = None
    decision_log_batches: bool = False

    @classmethod
    def from_environment(cls, environment: Mapping[str, str] | None = None) -> Settings:
        """The settings of the process, or of the mapping given.

        Raises:
            SettingsError: if a variable holds something that cannot be used.
        """
        source = os.environ if environment is None else environment
        keys, is_open = _path(source, "OHMPATH_KEYS"), _yes(source, "OHMPATH_OPEN")
        if keys is not None and is_open:
            raise SettingsError("OHMPATH_KEYS asks for keys and OHMPATH_OPEN for none: unset one")
        at_a_time = _positive(source, "OHMPATH_AT_A_TIME", AT_A_TIME)
        if at_a_time > MOST_AT_A_TIME:
            raise SettingsError(f"OHMPATH_AT_A_TIME must be at most {MOST_AT_A_TIME}")
        return cls(
            rules=_path(source, "OHMPATH_RULES"),
            max_body_bytes=_positive(source, "OHMPATH_MAX_BODY_BYTES", MAX_BODY_BYTES),
            read_seconds=_positive(source, "OHMPATH_READ_SECONDS", 10),
            max_batch_bytes=_positive(source, "OHMPATH_MAX_BATCH_BYTES", MAX_BATCH_BYTES),
            trial_seconds=_positive(source, "OHMPATH_TRIAL_SECONDS", TRIAL_SECONDS),
            trial_mebibytes=_positive(source, "OHMPATH_TRIAL_MEBIBYTES", TRIAL_MEBIBYTES),
            keys=keys,
            open=is_open,
            rate=_positive(source, "OHMPATH_RATE", RATE),
            burst=_positive(source, "OHMPATH_BURST", BURST),
            at_a_time=at_a_time,
            case_seconds=_positive(source, "OHMPATH_CASE_SECONDS", CASE_SECONDS),
            log=_form(source),
            log_addresses=_yes(source, "OHMPATH_LOG_ADDRESSES"),
            decision_log=source.get("OHMPATH_DECISION_LOG", "").strip() or None,
            decision_log_batches=_yes(source, "OHMPATH_DECISION_LOG_BATCHES"),
        )


def _path(source: Mapping[str, str], name: str) -> Path | None:
    raw = source.get(name, "").strip()
    return Path(raw) if raw else None


def _form(source: Mapping[str, str]) -> Form | None:
    raw = source.get("OHMPATH_LOG", "").strip()
    if raw and raw not in FORMS:
        raise SettingsError(f"OHMPATH_LOG must be {' or '.join(FORMS)}, not {raw[:40]!r}")
    return next((one for one in FORMS if one == raw), None)


def _yes(source: Mapping[str, str], name: str) -> bool:
    raw = source.get(name, "").strip()
    if raw not in ("", "yes", "no"):
        raise SettingsError(f"{name} must be yes or no, not {raw[:40]!r}")
    return raw == "yes"


def _positive(source: Mapping[str, str], name: str, default: int) -> int:
    raw = source.get(name, "").strip()
    if not raw:
        return default
    if not re.fullmatch("[0-9]{1,18}", raw) or int(raw) == 0:
        raise SettingsError(f"{name} must be a whole number greater than 0, not {raw[:40]!r}")
    return int(raw)
