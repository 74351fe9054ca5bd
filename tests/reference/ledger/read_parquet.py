"""Checks an export with a general-purpose library: pyarrow of PyPI (not run in CI; needs the package).

    bassay ledger export --ledger line.db --out e.parquet
    bassay ledger export --ledger line.db --out v.parquet --rows values
    bassay ledger export --ledger line.db --out c.jsonl
    python3 read_parquet.py e.parquet v.parquet c.jsonl

The records of the JSON Lines are the truth; every number of the two tables is compared with them, exactly.
"""

import json
import sys
from datetime import datetime, timezone

import pyarrow.parquet as pq

entries, values, lines = sys.argv[1:4]
records = [json.loads(line) for line in open(lines, encoding="utf-8")]
table = pq.read_table(entries)
print(table.schema)
rows = table.to_pylist()
assert len(rows) == len(records), (len(rows), len(records))
for row, record in zip(rows, records):
    body = record["body"]
    for key in ("station", "number", "previous", "digest"):
        assert row[key] == record[key], key
    for key in ("kind", "at", "operator", "unit", "verdict", "limits", "design", "software"):
        assert row[key] == body[key], key
    for key in ("batch", "refers_to", "remark"):
        assert row[key] == body.get(key), key
    at = datetime.fromisoformat(body["at"].replace("Z", "+00:00"))
    assert row["at_utc"].astimezone(timezone.utc) == at.astimezone(timezone.utc)
    cause = body.get("cause") or {}
    assert row["cause_path"] == cause.get("path")
    assert row["cause_probability"] == cause.get("probability")
    air = body.get("conditions") or {}
    assert row["temperature_c"] == air.get("temperature_c")
    assert row["values"] == len(body["values"])
    assert row["values_failed"] == sum(v["verdict"] == "fail" for v in body["values"])
    assert row["files"] == len(body.get("files", []))

table = pq.read_table(values)
print(table.schema)
expected = [(r, v) for r in records for v in r["body"]["values"]]
rows = table.to_pylist()
assert len(rows) == len(expected)
for row, (record, value) in zip(rows, expected):
    assert row["digest"] == record["digest"] and row["name"] == value["name"]
    for key in ("value", "expanded", "low", "high", "verdict"):
        assert row[key] == value.get(key), key
    assert row["value_unit"] == value["unit"]
    assert row["entry_verdict"] == record["body"]["verdict"]
print(f"{len(records)} entries and {len(rows)} values are the same in Parquet and in JSON Lines")
