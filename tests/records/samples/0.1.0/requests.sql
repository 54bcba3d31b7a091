BEGIN TRANSACTION;
CREATE TABLE requests (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    payload TEXT NOT NULL,
    who TEXT NOT NULL,
    asked_utc_ms INTEGER NOT NULL,
    boot_id TEXT NOT NULL,
    asked_boot_ms INTEGER NOT NULL,
    answer TEXT,
    answered_utc_ms INTEGER
) STRICT;
INSERT INTO "requests" VALUES(1,'swap','{"packs": 4, "at": "2026-07-14T16:00:05+02:00", "note": "two were soft", "frozen_through": "no"}','Tove',1784037605000,'boot-a',5100000,'noted',1784037610000);
INSERT INTO "requests" VALUES(2,'stage','{"name": "pinning", "instead_of": "cropping"}','Tove',1784037605000,'boot-a',5100000,NULL,NULL);
INSERT INTO "requests" VALUES(3,'pause','{"for_s": 900.0}','Tove',1784037605000,'boot-a',5100000,NULL,NULL);
INSERT INTO "requests" VALUES(4,'resume','{}','Tove',1784037605000,'boot-a',5100000,NULL,NULL);
INSERT INTO "requests" VALUES(5,'ack','{"alarm": null}','Tove',1784037605000,'boot-a',5100000,NULL,NULL);
INSERT INTO "requests" VALUES(6,'ack','{"alarm": "air_high"}','Tove',1784037605000,'boot-a',5100000,NULL,NULL);
INSERT INTO "requests" VALUES(7,'reset','{}','Tove',1784037605000,'boot-a',5100000,NULL,NULL);
INSERT INTO "requests" VALUES(8,'forecast','{"due": true, "until_boot_ms": 7000000}','Tove',1784037605000,'boot-a',5100000,NULL,NULL);
INSERT INTO "requests" VALUES(9,'swap','{"packs": 3, "at": "2026-07-11T16:00:05+02:00"}','Tove',1783778405000,'',0,'imported',1783778405000);
CREATE INDEX requests_unanswered ON requests (id) WHERE answer IS NULL;
COMMIT;
PRAGMA user_version = 1;
