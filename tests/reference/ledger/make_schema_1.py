"""Makes schema-1.sql: a log as the first schema of the SQLite ledger kept it, with four entries in two chains.

The digests are computed here from the definition in src/production/entry.rs, with the package `blake3` of PyPI:
    python3 make_schema_1.py > schema-1.sql
"""

import json
from datetime import datetime

from blake3 import blake3

TABLE = """
CREATE TABLE entry (
  position INTEGER PRIMARY KEY,
  station TEXT NOT NULL,
  number INTEGER NOT NULL CHECK (number > 0),
  previous TEXT NOT NULL,
  digest TEXT NOT NULL UNIQUE,
  kind TEXT NOT NULL,
  at_us INTEGER NOT NULL,
  unit TEXT NOT NULL,
  batch TEXT,
  verdict TEXT NOT NULL,
  body TEXT NOT NULL,
  UNIQUE (station, number)
);
CREATE INDEX entry_by_time ON entry (at_us, station, number);
CREATE INDEX entry_by_kind ON entry (kind, at_us, station, number);
CREATE INDEX entry_by_unit ON entry (unit, at_us);
"""

GUARDS = """
CREATE TRIGGER entry_stays BEFORE UPDATE ON entry
  BEGIN SELECT RAISE(ABORT, 'an entry is never changed; write a correction'); END;
CREATE TRIGGER entry_remains BEFORE DELETE ON entry
  BEGIN SELECT RAISE(ABORT, 'an entry is never deleted; write a correction'); END;
PRAGMA application_id = 1112755271;
PRAGMA user_version = 1;
"""


def entry(kind, minute, unit, verdict, **more):
    body = {
        "format": "bassay-entry/1",
        "kind": kind,
        "at": f"2026-03-14T10:{minute:02}:00+01:00",
        "operator": "op-07",
        "unit": unit,
        "batch": "B0",
        "attempt": 1,
    }
    body.update(more)
    body.update(
        verdict=verdict,
        limits="",
        design="cd" * 32,
        software="bassay 0.1.0",
        values=[
            {"name": "polarity:mouth-near", "unit": "", "value": 1.0, "verdict": "pass"}
        ],
    )
    return body


heads = {}
print(TABLE)


def write(station, body):
    number, previous = heads.get(station, (0, "0" * 64))
    number += 1
    text = json.dumps(body, separators=(",", ":"), ensure_ascii=False)
    digest = blake3(f"{previous}{station}\n{number}\n{text}".encode()).hexdigest()
    heads[station] = (number, digest)
    at_us = round(datetime.fromisoformat(body["at"]).timestamp()) * 1_000_000
    quoted = text.replace("'", "''")
    print(
        "INSERT INTO entry (station, number, previous, digest, kind, at_us, unit, batch, verdict, body) VALUES "
        f"('{station}', {number}, '{previous}', '{digest}', '{body['kind']}', {at_us}, '{body['unit']}', "
        f"'B0', '{body['verdict']}', '{quoted}');"
    )
    return digest


failed = write("bench-1", entry("inspection", 1, "D-0001", "fail"))
write("bench-1", entry("inspection", 2, "D-0002", "pass"))
write(
    "office",
    entry("correction", 9, "D-0001", "pass", refers_to=failed, remark="Düse: «sealed»"),
)
write("bench-1", entry("inspection", 11, "D-0001", "pass"))
print(GUARDS)
