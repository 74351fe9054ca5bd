
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

INSERT INTO entry (station, number, previous, digest, kind, at_us, unit, batch, verdict, body) VALUES ('bench-1', 1, '0000000000000000000000000000000000000000000000000000000000000000', '320437e2df244acaaee1ff707364352bdd8b41707c3c1678717bbb8061ed2224', 'inspection', 1773478860000000, 'D-0001', 'B0', 'fail', '{"format":"bassay-entry/1","kind":"inspection","at":"2026-03-14T10:01:00+01:00","operator":"op-07","unit":"D-0001","batch":"B0","attempt":1,"verdict":"fail","limits":"","design":"cdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcd","software":"bassay 0.1.0","values":[{"name":"polarity:mouth-near","unit":"","value":1.0,"verdict":"pass"}]}');
INSERT INTO entry (station, number, previous, digest, kind, at_us, unit, batch, verdict, body) VALUES ('bench-1', 2, '320437e2df244acaaee1ff707364352bdd8b41707c3c1678717bbb8061ed2224', 'de1df818b4144dfb710d1bdafbc42e13252fafb970383ad09891f5b8df83f61e', 'inspection', 1773478920000000, 'D-0002', 'B0', 'pass', '{"format":"bassay-entry/1","kind":"inspection","at":"2026-03-14T10:02:00+01:00","operator":"op-07","unit":"D-0002","batch":"B0","attempt":1,"verdict":"pass","limits":"","design":"cdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcd","software":"bassay 0.1.0","values":[{"name":"polarity:mouth-near","unit":"","value":1.0,"verdict":"pass"}]}');
INSERT INTO entry (station, number, previous, digest, kind, at_us, unit, batch, verdict, body) VALUES ('office', 1, '0000000000000000000000000000000000000000000000000000000000000000', 'fefdf73ecaf5d8f8d1cba4ab85bfe55a76018c2da0ff13a5ebdf8740ae4cf4df', 'correction', 1773479340000000, 'D-0001', 'B0', 'pass', '{"format":"bassay-entry/1","kind":"correction","at":"2026-03-14T10:09:00+01:00","operator":"op-07","unit":"D-0001","batch":"B0","attempt":1,"refers_to":"320437e2df244acaaee1ff707364352bdd8b41707c3c1678717bbb8061ed2224","remark":"Düse: «sealed»","verdict":"pass","limits":"","design":"cdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcd","software":"bassay 0.1.0","values":[{"name":"polarity:mouth-near","unit":"","value":1.0,"verdict":"pass"}]}');
INSERT INTO entry (station, number, previous, digest, kind, at_us, unit, batch, verdict, body) VALUES ('bench-1', 3, 'de1df818b4144dfb710d1bdafbc42e13252fafb970383ad09891f5b8df83f61e', '6016bb0519be750f68057b765d1ecfbc8a3284addb6270dda11ba2da38ef47fa', 'inspection', 1773479460000000, 'D-0001', 'B0', 'pass', '{"format":"bassay-entry/1","kind":"inspection","at":"2026-03-14T10:11:00+01:00","operator":"op-07","unit":"D-0001","batch":"B0","attempt":1,"verdict":"pass","limits":"","design":"cdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcd","software":"bassay 0.1.0","values":[{"name":"polarity:mouth-near","unit":"","value":1.0,"verdict":"pass"}]}');

CREATE TRIGGER entry_stays BEFORE UPDATE ON entry
  BEGIN SELECT RAISE(ABORT, 'an entry is never changed; write a correction'); END;
CREATE TRIGGER entry_remains BEFORE DELETE ON entry
  BEGIN SELECT RAISE(ABORT, 'an entry is never deleted; write a correction'); END;
PRAGMA application_id = 1112755271;
PRAGMA user_version = 1;

