BEGIN TRANSACTION;
CREATE TABLE clocks (
            run INTEGER NOT NULL REFERENCES runs (id),
            at_ms INTEGER NOT NULL,
            utc_ms INTEGER NOT NULL
        ) STRICT;
INSERT INTO "clocks" VALUES(1,2889852,1795729613983);
CREATE TABLE events (
            id INTEGER PRIMARY KEY,
            run INTEGER NOT NULL,
            at_ms INTEGER NOT NULL,
            kind TEXT NOT NULL,
            name TEXT NOT NULL,
            detail TEXT NOT NULL
        ) STRICT;
INSERT INTO "events" VALUES(1,1,100000,'alarm_raised','air_high','');
INSERT INTO "events" VALUES(2,1,100000,'band','15500 17000','');
INSERT INTO "events" VALUES(3,1,120000,'stage','pinning','');
INSERT INTO "events" VALUES(4,1,160000,'alarm_cleared','air_high','');
INSERT INTO "events" VALUES(5,1,160000,'band','15000 16500','');
CREATE TABLE first_runs (
            id INTEGER PRIMARY KEY,
            at_utc_ms INTEGER NOT NULL,
            who TEXT NOT NULL,
            signed INTEGER NOT NULL,
            document TEXT NOT NULL
        ) STRICT
        ;
INSERT INTO "first_runs" VALUES(1,1784037605000,'Tove',1,'{"chamber": "hall shelf", "config_sha256": "00", "steps": [{"name": "probes", "outcome": "done", "note": "yes"}, {"name": "leaks", "outcome": "skipped", "note": "no water yet"}]}');
CREATE TABLE readings (
            id INTEGER PRIMARY KEY,
            run INTEGER NOT NULL,
            at_ms INTEGER NOT NULL,
            air_mc INTEGER,
            reservoir_mc INTEGER,
            room_mc INTEGER,
            coil_outlet_mc INTEGER,
            pump INTEGER NOT NULL,
            fan INTEGER NOT NULL
        ) STRICT;
INSERT INTO "readings" VALUES(1,1,100000,19312,4437,NULL,NULL,1,1);
INSERT INTO "readings" VALUES(2,1,160000,19312,4437,NULL,NULL,1,1);
CREATE TABLE runs (
            id INTEGER PRIMARY KEY,
            boot_id TEXT NOT NULL,
            chamber TEXT NOT NULL,
            started_ms INTEGER NOT NULL
        ) STRICT;
INSERT INTO "runs" VALUES(1,'boot-a','hall shelf',2889849);
CREATE TABLE thinned (
            run INTEGER NOT NULL,
            at_ms INTEGER NOT NULL,
            air_min_mc INTEGER, air_mc INTEGER, air_max_mc INTEGER,
            reservoir_min_mc INTEGER, reservoir_mc INTEGER, reservoir_max_mc INTEGER,
            room_min_mc INTEGER, room_mc INTEGER, room_max_mc INTEGER,
            coil_outlet_min_mc INTEGER, coil_outlet_mc INTEGER, coil_outlet_max_mc INTEGER,
            pump_share REAL NOT NULL,
            fan_share REAL NOT NULL,
            starts INTEGER NOT NULL,
            pump_at_end INTEGER NOT NULL,
            PRIMARY KEY (run, at_ms)
        ) STRICT, WITHOUT ROWID
        ;
CREATE INDEX readings_by_time ON readings (run, at_ms);
CREATE INDEX events_by_time ON events (run, at_ms);
COMMIT;
PRAGMA user_version = 4;
