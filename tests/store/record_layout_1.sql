-- A record as the first layout kept it.
PRAGMA application_id = 1752648786;
PRAGMA user_version = 1;
CREATE TABLE session (
    recording TEXT PRIMARY KEY,
    fingerprint TEXT NOT NULL,
    session TEXT NOT NULL,
    title TEXT NOT NULL,
    unit TEXT NOT NULL,
    is_repeat INTEGER NOT NULL,
    kind TEXT NOT NULL,
    bench TEXT NOT NULL,
    set_up TEXT NOT NULL,
    conditions TEXT NOT NULL,
    power REAL,
    recorded TEXT NOT NULL,
    source TEXT NOT NULL
);
INSERT INTO "session" VALUES('a','made of a','session a','Charger','SN-1',1,'kind','bench','{"bench": {}, "conditions": {"fan": "in"}}','{"fan": "in"}',18.0,'2026-03-04T09:30:00','heatwake 1');
INSERT INTO "session" VALUES('b','made of b','session b','Charger','SN-2',1,'kind','bench','{"bench": {}, "conditions": {"fan": "in"}}','{"fan": "in"}',NULL,'2026-03-04T09:30:00','heatwake 1');
CREATE TABLE region (
    recording TEXT NOT NULL REFERENCES session (recording) ON DELETE CASCADE,
    name TEXT NOT NULL,
    is_known INTEGER NOT NULL,
    x REAL, y REAL, width REAL, height REAL,
    rise REAL, own REAL, uncertainty REAL,
    time_constant REAL,
    is_steady INTEGER NOT NULL,
    temperature REAL, "limit" REAL, margin REAL,
    PRIMARY KEY (recording, name)
);
INSERT INTO "region" VALUES('a','Q1',1,10.0,20.0,8.0,8.0,30.0,0.2,0.5,80.0,1,53.5,110.0,20.0);
INSERT INTO "region" VALUES('a','Q2',1,15.0,20.0,8.0,8.0,45.0,0.2,0.5,80.0,1,68.5,110.0,20.0);
INSERT INTO "region" VALUES('b','Q1',1,10.0,20.0,8.0,8.0,31.0,0.2,0.5,80.0,1,54.5,110.0,20.0);
CREATE INDEX session_kind ON session (kind);
CREATE INDEX session_bench ON session (bench);
