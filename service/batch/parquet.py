"""Results as a Parquet file: a case a row, columns as in the CSV table but with types.

Needs the extra `parquet` (pyarrow).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import islice
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from service.batch.run import Result
from service.batch.table import COLUMNS, result_cells
from service.documents import dump_json

SUMMARY = "ohmpath_summary"
"""The key of the file's metadata under which the summary stands, as JSON."""

_TYPES = {"index": pa.int64(), "line": pa.int64(), "confidence": pa.float64(), "agrees": pa.bool_()}
_GROUP = 10_000  # rows of a row group, as many as are held in memory


def write_parquet(path: Path, results: Iterable[Result], summary: Mapping[str, Any]) -> None:
    """Write the results of a batch. What does not apply to a case is null."""
    fields = [pa.field(name, _TYPES.get(name, pa.string())) for name in COLUMNS]
    schema = pa.schema(fields, metadata={SUMMARY: dump_json(summary).strip()})
    rows = map(result_cells, results)
    with pq.ParquetWriter(path, schema) as out:
        while held := list(islice(rows, _GROUP)):
            out.write_table(pa.Table.from_pylist(held, schema))
