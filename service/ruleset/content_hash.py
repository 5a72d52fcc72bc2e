"""A hash of what a rule set says, whatever its layout, comments or key order."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any


def content_hash(documents: Mapping[str, Any]) -> str:
    """`sha256:` and the hex digest of the documents in canonical JSON (keys sorted)."""
    text = json.dumps(documents, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return "sha256:" + hashlib.sha256(text.encode()).hexdigest()
