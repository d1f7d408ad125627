PRAGMA application_id=1097429625;
PRAGMA user_version=2;
BEGIN TRANSACTION;
CREATE TABLE account (
        site TEXT NOT NULL REFERENCES site (site),
        name TEXT NOT NULL CHECK (length(name) BETWEEN 1 AND 80),
        password_hash TEXT NOT NULL,
        closed INTEGER NOT NULL,
        PRIMARY KEY (site, name)
    ) STRICT
;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0002');
CREATE TABLE entry (
        site TEXT NOT NULL REFERENCES site (site),
        stream TEXT NOT NULL CHECK (stream IN ('ward', 'audit')),
        sequence INTEGER NOT NULL CHECK (sequence >= 1),
        id TEXT NOT NULL CHECK (length(id) BETWEEN 1 AND 64),
        kind TEXT NOT NULL,
        hash TEXT NOT NULL CHECK (length(hash) = 64),
        line TEXT NOT NULL,
        PRIMARY KEY (site, stream, sequence),
        UNIQUE (site, id)
    ) STRICT
    ;
INSERT INTO "entry" VALUES('st-example','ward',1,'entry-1','ventilator','fbf60e8d26bbfc91ddae82f02cb211cd236f71b350f1b46118fc2eab6ed0d03b','{"boot":"b","content":{"ventilator":"V1"},"device":"desk","id":"entry-1","kind":"ventilator","local":"2026-11-25T15:00:00.000+01:00","monotonic_s":1,"person":"rt-1","previous":"0000000000000000000000000000000000000000000000000000000000000000","program":"0","sequence":1,"site":"st-example","stream":"ward","utc":"2026-11-25T14:00:00.000+00:00","version":1,"zone":"CET"}');
INSERT INTO "entry" VALUES('st-example','ward',2,'entry-2','ventilator','6573188ada6cb4be2414bb4a854476f308a4c3aae8d14e109bf91429cb974464','{"boot":"b","content":{"ventilator":"V2"},"device":"desk","id":"entry-2","kind":"ventilator","local":"2026-11-25T15:00:00.000+01:00","monotonic_s":2,"person":"rt-1","previous":"fbf60e8d26bbfc91ddae82f02cb211cd236f71b350f1b46118fc2eab6ed0d03b","program":"0","sequence":2,"site":"st-example","stream":"ward","utc":"2026-11-25T14:00:00.000+00:00","version":1,"zone":"CET"}');
INSERT INTO "entry" VALUES('st-example','ward',3,'entry-3','ventilator','fe45863e8a35274cce0770d733fad7c492d0a2b587ad32413ca48c1052e4c3d8','{"boot":"b","content":{"ventilator":"V3"},"device":"desk","id":"entry-3","kind":"ventilator","local":"2026-11-25T15:00:00.000+01:00","monotonic_s":3,"person":"rt-1","previous":"6573188ada6cb4be2414bb4a854476f308a4c3aae8d14e109bf91429cb974464","program":"0","sequence":3,"site":"st-example","stream":"ward","utc":"2026-11-25T14:00:00.000+00:00","version":1,"zone":"CET"}');
INSERT INTO "entry" VALUES('st-example','ward',4,'entry-4','bed','1b4e90684eafec2674728256865fb05f461ceac849fdff9ae82bcaa0b130b33e','{"boot":"b","content":{"bed":"1","room":"East"},"device":"desk","id":"entry-4","kind":"bed","local":"2026-11-25T15:00:00.000+01:00","monotonic_s":4,"person":"rt-1","previous":"fe45863e8a35274cce0770d733fad7c492d0a2b587ad32413ca48c1052e4c3d8","program":"0","sequence":4,"site":"st-example","stream":"ward","utc":"2026-11-25T14:00:00.000+00:00","version":1,"zone":"CET"}');
INSERT INTO "entry" VALUES('st-example','ward',5,'entry-5','bed','9d7bd882828a55ef3dbb358cf9ec77af6ca546a9e4e3d6c91f61db78eee1ae45','{"boot":"b","content":{"bed":"2","room":"East"},"device":"desk","id":"entry-5","kind":"bed","local":"2026-11-25T15:00:00.000+01:00","monotonic_s":5,"person":"rt-1","previous":"1b4e90684eafec2674728256865fb05f461ceac849fdff9ae82bcaa0b130b33e","program":"0","sequence":5,"site":"st-example","stream":"ward","utc":"2026-11-25T14:00:00.000+00:00","version":1,"zone":"CET"}');
INSERT INTO "entry" VALUES('st-example','ward',6,'entry-6','patient_in','40f268fb861510fde9c757341f931fcb742caad84a227c9505fc042874121019','{"boot":"b","content":{"bed":"1","code":"a","values":{"ventilator":"V1"}},"device":"desk","id":"entry-6","kind":"patient_in","local":"2026-11-25T15:00:00.000+01:00","monotonic_s":6,"person":"rt-1","previous":"9d7bd882828a55ef3dbb358cf9ec77af6ca546a9e4e3d6c91f61db78eee1ae45","program":"0","sequence":6,"site":"st-example","stream":"ward","utc":"2026-11-25T14:00:00.000+00:00","version":1,"zone":"CET"}');
INSERT INTO "entry" VALUES('st-example','ward',7,'entry-7','patient_in','b8d3dc8bd053c904f79cdb0a6f1801cd7d9709a718dd9a9e91bfdc6f781f7312','{"boot":"b","content":{"bed":"2","code":"b","values":{"ventilator":"V2"}},"device":"desk","id":"entry-7","kind":"patient_in","local":"2026-11-25T15:00:00.000+01:00","monotonic_s":7,"person":"rt-1","previous":"40f268fb861510fde9c757341f931fcb742caad84a227c9505fc042874121019","program":"0","sequence":7,"site":"st-example","stream":"ward","utc":"2026-11-25T14:00:00.000+00:00","version":1,"zone":"CET"}');
INSERT INTO "entry" VALUES('st-example','ward',8,'entry-8','reading','e6a653de19715513e994c5c88141462865c273fdff63d4fae56058aeaf8fff44','{"boot":"b","content":{"bed":"1","code":"a","read_at":"2026-11-25T14:00+00:00","values":{"plateau_cmh2o":20}},"device":"desk","id":"entry-8","kind":"reading","local":"2026-11-25T15:00:00.000+01:00","monotonic_s":8,"person":"rt-1","previous":"b8d3dc8bd053c904f79cdb0a6f1801cd7d9709a718dd9a9e91bfdc6f781f7312","program":"0","sequence":8,"site":"st-example","stream":"ward","utc":"2026-11-25T14:00:00.000+00:00","version":1,"zone":"CET"}');
INSERT INTO "entry" VALUES('st-example','ward',9,'entry-9','reading','68ee17b3a36b66436eb75268ba5f2b0daa09a8621f466a01557e58e5bf26314f','{"boot":"b","content":{"bed":"1","code":"a","read_at":"2026-11-25T14:01+00:00","values":{"plateau_cmh2o":21}},"device":"desk","id":"entry-9","kind":"reading","local":"2026-11-25T15:00:00.000+01:00","monotonic_s":9,"person":"rt-1","previous":"e6a653de19715513e994c5c88141462865c273fdff63d4fae56058aeaf8fff44","program":"0","sequence":9,"site":"st-example","stream":"ward","utc":"2026-11-25T14:00:00.000+00:00","version":1,"zone":"CET"}');
INSERT INTO "entry" VALUES('st-example','ward',10,'entry-10','reading','d2e4efd1eab91e0803e052d2faed39e0b744b4aaccdf29beac3beda4ce79f88e','{"boot":"b","content":{"bed":"1","code":"a","read_at":"2026-11-25T14:02+00:00","values":{"plateau_cmh2o":22}},"device":"desk","id":"entry-10","kind":"reading","local":"2026-11-25T15:00:00.000+01:00","monotonic_s":10,"person":"rt-1","previous":"68ee17b3a36b66436eb75268ba5f2b0daa09a8621f466a01557e58e5bf26314f","program":"0","sequence":10,"site":"st-example","stream":"ward","utc":"2026-11-25T14:00:00.000+00:00","version":1,"zone":"CET"}');
INSERT INTO "entry" VALUES('st-example','ward',11,'entry-11','reading','78e299eca93b4e57f88d4896dc25b1cf0617c2055db3b03dfb4bac1f8a7a2e09','{"boot":"b","content":{"bed":"1","code":"a","read_at":"2026-11-25T14:03+00:00","values":{"plateau_cmh2o":23}},"device":"desk","id":"entry-11","kind":"reading","local":"2026-11-25T15:00:00.000+01:00","monotonic_s":11,"person":"rt-1","previous":"d2e4efd1eab91e0803e052d2faed39e0b744b4aaccdf29beac3beda4ce79f88e","program":"0","sequence":11,"site":"st-example","stream":"ward","utc":"2026-11-25T14:00:00.000+00:00","version":1,"zone":"CET"}');
INSERT INTO "entry" VALUES('st-example','ward',12,'entry-12','reading','9792c40b135d23d1bc813370a2b927a48d0c1bc7709c6dbcda3e2492db9953e7','{"boot":"b","content":{"bed":"1","code":"a","read_at":"2026-11-25T14:04+00:00","values":{"plateau_cmh2o":24}},"device":"desk","id":"entry-12","kind":"reading","local":"2026-11-25T15:00:00.000+01:00","monotonic_s":12,"person":"rt-1","previous":"78e299eca93b4e57f88d4896dc25b1cf0617c2055db3b03dfb4bac1f8a7a2e09","program":"0","sequence":12,"site":"st-example","stream":"ward","utc":"2026-11-25T14:00:00.000+00:00","version":1,"zone":"CET"}');
INSERT INTO "entry" VALUES('st-example','ward',13,'entry-13','reading','a87c67d5939eef8baaa393d9476058e36261d561cf49bd07522d36db3f8fb0b0','{"boot":"b","content":{"bed":"1","code":"a","read_at":"2026-11-25T14:05+00:00","values":{"plateau_cmh2o":25}},"device":"desk","id":"entry-13","kind":"reading","local":"2026-11-25T15:00:00.000+01:00","monotonic_s":13,"person":"rt-1","previous":"9792c40b135d23d1bc813370a2b927a48d0c1bc7709c6dbcda3e2492db9953e7","program":"0","sequence":13,"site":"st-example","stream":"ward","utc":"2026-11-25T14:00:00.000+00:00","version":1,"zone":"CET"}');
CREATE TABLE site (site TEXT PRIMARY KEY NOT NULL CHECK (length(site) BETWEEN 1 AND 40)) STRICT
    ;
INSERT INTO "site" VALUES('st-example');
CREATE TRIGGER entry_is_never_changed BEFORE UPDATE ON entry BEGIN SELECT RAISE(ABORT, 'an entry is never changed'); END;
CREATE TRIGGER entry_is_never_deleted BEFORE DELETE ON entry BEGIN SELECT RAISE(ABORT, 'an entry is never deleted'); END;
CREATE TRIGGER entry_follows_the_last BEFORE INSERT ON entry WHEN NEW.sequence <> 1 + coalesce((SELECT max(sequence) FROM entry WHERE site = NEW.site AND stream = NEW.stream), 0) BEGIN SELECT RAISE(ABORT, 'an entry follows the last one'); END;
COMMIT;
PRAGMA journal_mode=WAL;
