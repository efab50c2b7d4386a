-- A log of version 1 of the tables (lib/unitlog/schema.c), filled by hand: two units of an invented board, one
-- repaired and retested. Values are invented. Read by test_files.c.
CREATE TABLE boards (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
CREATE TABLE board_files ( id INTEGER PRIMARY KEY, board INTEGER NOT NULL REFERENCES boards (id), title TEXT
    NOT NULL, sha256 BLOB NOT NULL, bytes INTEGER NOT NULL, packed BLOB NOT NULL, UNIQUE (board, sha256))
    STRICT;
CREATE TABLE instruments ( id INTEGER PRIMARY KEY, name TEXT NOT NULL, sha256 BLOB NOT NULL UNIQUE, bytes
    INTEGER NOT NULL, packed BLOB NOT NULL) STRICT;
CREATE TABLE units ( id INTEGER PRIMARY KEY, board INTEGER NOT NULL REFERENCES boards (id), serial TEXT NOT
    NULL, UNIQUE (serial, board)) STRICT;
CREATE TABLE figures ( id INTEGER PRIMARY KEY, board INTEGER NOT NULL REFERENCES boards (id), step TEXT NOT
    NULL, key TEXT NOT NULL, hz REAL NOT NULL, unit TEXT NOT NULL, UNIQUE (board, step, key, hz)) STRICT;
CREATE TABLE limits ( id INTEGER PRIMARY KEY, figure INTEGER NOT NULL REFERENCES figures (id), low REAL, high
    REAL, derived INTEGER NOT NULL) STRICT;
CREATE INDEX limits_of ON limits (figure);
CREATE TABLE repairs ( id INTEGER PRIMARY KEY, uuid BLOB NOT NULL UNIQUE, unit INTEGER NOT NULL REFERENCES
    units (id), at TEXT NOT NULL, operator TEXT NOT NULL, fault TEXT NOT NULL, words TEXT NOT NULL, note TEXT
    NOT NULL, voided_at TEXT, void_note TEXT) STRICT;
CREATE INDEX repairs_of ON repairs (unit, at);
CREATE TABLE runs ( id INTEGER PRIMARY KEY, uuid BLOB NOT NULL UNIQUE, unit INTEGER NOT NULL REFERENCES units
    (id), board_file INTEGER NOT NULL REFERENCES board_files (id), instruments INTEGER REFERENCES instruments
    (id), at TEXT NOT NULL, operator TEXT NOT NULL, verdict INTEGER NOT NULL CHECK (verdict BETWEEN 0 AND 2),
    after_repair INTEGER REFERENCES repairs (id), note TEXT NOT NULL, voided_at TEXT, void_note TEXT) STRICT;
CREATE INDEX runs_of ON runs (unit, at);
CREATE TABLE run_figures ( run INTEGER NOT NULL REFERENCES runs (id), figure INTEGER NOT NULL REFERENCES
    figures (id), value REAL, u REAL, PRIMARY KEY (run, figure)) STRICT, WITHOUT ROWID;
CREATE TABLE run_bounds ( run INTEGER NOT NULL REFERENCES runs (id), figure INTEGER NOT NULL REFERENCES
    figures (id), above INTEGER NOT NULL, bound REAL NOT NULL, PRIMARY KEY (run, figure)) STRICT, WITHOUT
    ROWID;
CREATE TABLE run_limits ( run INTEGER NOT NULL REFERENCES runs (id), lim INTEGER NOT NULL REFERENCES limits
    (id), value REAL, u REAL, verdict INTEGER NOT NULL, why TEXT, PRIMARY KEY (run, lim)) STRICT, WITHOUT
    ROWID;
CREATE TABLE findings ( run INTEGER PRIMARY KEY REFERENCES runs (id), bytes INTEGER NOT NULL, packed BLOB NOT
    NULL) STRICT;
CREATE TABLE faults (id INTEGER PRIMARY KEY, fault TEXT NOT NULL UNIQUE) STRICT;
CREATE TABLE run_faults ( run INTEGER NOT NULL REFERENCES runs (id), place INTEGER NOT NULL, rank INTEGER NOT
    NULL, fault INTEGER NOT NULL REFERENCES faults (id), probability REAL, PRIMARY KEY (run, place)) STRICT,
    WITHOUT ROWID;
CREATE INDEX run_faults_of ON run_faults (fault);
CREATE TABLE captures ( run INTEGER NOT NULL REFERENCES runs (id), place INTEGER NOT NULL, step TEXT NOT
    NULL, path TEXT NOT NULL, sha256 BLOB NOT NULL, bytes INTEGER NOT NULL, PRIMARY KEY (run, place)) STRICT,
    WITHOUT ROWID;
INSERT INTO boards VALUES (1, 'made');
INSERT INTO board_files VALUES (1, 1, 'An invented board',
    x'55895c5785be68fa456988500a3ac8307f6373cfae7d1090b81d7664376f00a7', 12,
    x'789c4bca4f2c4ab152c84d4c49e502001c500404');
INSERT INTO units VALUES (1, 1, 'A1'), (2, 1, 'A2');
INSERT INTO figures VALUES (1, 1, 'in1-left', 'gain_db', 0.0, 'dB'), (2, 1, 'in1-left', 'dc_v@left_out', 0.0,
    'V'), (3, 1, 'in1-left', 'thd_percent@left_out', 0.0, '%');
INSERT INTO limits VALUES (1, 1, -0.3, 0.3, 0), (2, 2, NULL, 0.01, 1), (3, 3, NULL, 0.1, 0);
INSERT INTO repairs VALUES (1, x'11111111111141118111111111111111', 1, '2026-03-01T10:00:00.000Z', 'Ann',
    'open-pin:U1:7', '', '', NULL, NULL);
INSERT INTO runs VALUES (1, x'a1a1a1a1a1a141a181a1a1a1a1a1a1a1', 1, 1, NULL, '2026-03-01T09:00:00.000Z',
    'Ann', 1, NULL, '', NULL, NULL), (2, x'a2a2a2a2a2a242a282a2a2a2a2a2a2a2', 1, 1, NULL,
    '2026-03-01T11:00:00.000Z', 'Ann', 0, 1, 'after the repair', NULL, NULL), (3,
    x'a3a3a3a3a3a343a383a3a3a3a3a3a3a3', 2, 1, NULL, '2026-03-02T09:00:00.000Z', '', 2, NULL, '',
    '2026-03-02T09:05:00.000Z', 'wrong unit');
INSERT INTO run_figures VALUES (1, 1, -9.5, 0.05), (1, 2, 0.002, 0.001), (1, 3, NULL, NULL), (2, 1, 0.1,
    0.05), (2, 2, 0.004, 0.001), (3, 1, 0.29, 0.05);
INSERT INTO run_bounds VALUES (1, 3, 0, 0.02);
INSERT INTO run_limits VALUES (1, 1, -9.5, 0.05, 1, NULL), (1, 2, 0.002, 0.001, 0, NULL), (1, 3, NULL, NULL,
    0, NULL), (2, 1, 0.1, 0.05, 0, NULL), (2, 2, 0.004, 0.001, 0, NULL), (3, 1, 0.29, 0.05, 2, 'too near');
INSERT INTO findings VALUES (1, 171,
    x'789c25cec10a83300c06e057093977639e647d8cc14ee221d688c5da485b37447cf7c579fbf9f8f39366c74471425b195c9274d4f9e0cb86f6717f1a1c680d25a36df62ba2455938de161f51fb944e79576756b1f5d11accb4e5bf821ad430d3c419a2809358c8152df3c7f71c1debb01eb8919d3e802f1e827ca18c0cd7fe906456ef84528f47fb03537036cc'), (2, 2, x'789c8b8e0500011500b9'), (3, 2, x'789c8b8e0500011500b9');
INSERT INTO faults VALUES (1, 'open-pin:U1:7');
INSERT INTO run_faults VALUES (1, 0, 1, 1, 0.9);
INSERT INTO captures VALUES (1, 0, 'in1-left', 'a1/in1-left.csv',
    x'000102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1f', 1234);
PRAGMA application_id = 1667918951;
PRAGMA user_version = 1;
