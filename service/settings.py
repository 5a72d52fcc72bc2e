"""Settings of the service, from the environment."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from service.documents import MAX_BODY_BYTES

MAX_BATCH_BYTES = 1024**3
TRIAL_SECONDS = 60
TRIAL_MEBIBYTES = 2048


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
    trial_seconds: how long a candidate rule set may be worked on (OHMPATH_TRIAL_SECONDS).
    trial_mebibytes: how much memory that may take (OHMPATH_TRIAL_MEBIBYTES).
    """

    rules: Path | None = None
    max_body_bytes: int = MAX_BODY_BYTES
    read_seconds: int = 10
    max_batch_bytes: int = MAX_BATCH_BYTES
    trial_seconds: int = TRIAL_SECONDS
    trial_mebibytes: int = TRIAL_MEBIBYTES

    @classmethod
    def from_environment(cls, environment: Mapping[str, str] | None = None) -> Settings:
        """The settings of the process, or of the mapping given.

        Raises:
            SettingsError: if a variable holds something that cannot be used.
        """
        source = os.environ if environment is None else environment
        rules = source.get("OHMPATH_RULES", "").strip()
        return cls(
            rules=Path(rules) if rules else None,
            max_body_bytes=_positive(source, "OHMPATH_MAX_BODY_BYTES", MAX_BODY_BYTES),
            read_seconds=_positive(source, "OHMPATH_READ_SECONDS", 10),
            max_batch_bytes=_positive(source, "OHMPATH_MAX_BATCH_BYTES", MAX_BATCH_BYTES),
            trial_seconds=_positive(source, "OHMPATH_TRIAL_SECONDS", TRIAL_SECONDS),
            trial_mebibytes=_positive(source, "OHMPATH_TRIAL_MEBIBYTES", TRIAL_MEBIBYTES),
        )


def _positive(source: Mapping[str, str], name: str, default: int) -> int:
    raw = source.get(name, "").strip()
    if not raw:
        return default
    if not re.fullmatch("[0-9]{1,18}", raw) or int(raw) == 0:
        raise SettingsError(f"{name} must be a whole number greater than 0, not {raw[:40]!r}")
    return int(raw)
