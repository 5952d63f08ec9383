-- A library as the schema `proposals` made it, with a fight, a log, two exchanges, footage and a clip.
-- Never edited: it is what a user of that version has on the disk.
BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'cliplib','first_tables','2026-11-25 11:01:36.090002+00:00');
INSERT INTO "_sqlite_migrations" VALUES(2,'cliplib','corrections','2026-11-25 11:29:48.912872+00:00');
INSERT INTO "_sqlite_migrations" VALUES(3,'cliplib','live_logs','2026-11-25 11:36:30.331118+00:00');
INSERT INTO "_sqlite_migrations" VALUES(4,'cliplib','contents_of_files','2026-11-25 11:58:57.271406+00:00');
INSERT INTO "_sqlite_migrations" VALUES(5,'cliplib','private_fights','2026-11-25 11:58:57.271696+00:00');
INSERT INTO "_sqlite_migrations" VALUES(6,'cliplib','drawings','2026-11-25 12:14:39.259492+00:00');
INSERT INTO "_sqlite_migrations" VALUES(7,'cliplib','periods_and_marks','2026-11-30 20:47:19.916030+00:00');
INSERT INTO "_sqlite_migrations" VALUES(8,'cliplib','parts_and_views','2026-11-30 23:18:17.435973+00:00');
INSERT INTO "_sqlite_migrations" VALUES(9,'cliplib','proposals','2026-11-30 23:38:49.180896+00:00');
CREATE TABLE actions (
        exchange_id INTEGER NOT NULL REFERENCES exchanges(id) ON DELETE CASCADE,
        position INTEGER NOT NULL,
        fighter_id INTEGER NOT NULL REFERENCES fighters(id),
        technique TEXT NOT NULL,
        time_us INTEGER,
        until_us INTEGER,
        hand TEXT CHECK (hand IN ('lead', 'rear')),
        side TEXT CHECK (side IN ('left', 'right')),
        target TEXT,
        outcome TEXT,
        direction TEXT,
        stance TEXT CHECK (stance IN ('orthodox', 'southpaw')),
        place TEXT,
        range TEXT,
        roles TEXT NOT NULL DEFAULT '[]',
        said_roles TEXT NOT NULL DEFAULT '[]',
        answers INTEGER,
        inferred TEXT NOT NULL DEFAULT '[]',
        note TEXT NOT NULL DEFAULT '',
        PRIMARY KEY (exchange_id, position)
    ) STRICT, WITHOUT ROWID
    ;
INSERT INTO "actions" VALUES(1,0,1,'jab',14200000,NULL,'lead',NULL,NULL,'missed',NULL,NULL,NULL,NULL,'[]','[]',NULL,'[]','');
INSERT INTO "actions" VALUES(1,1,2,'jab',14600000,NULL,'lead',NULL,NULL,'landed',NULL,NULL,NULL,NULL,'[]','[]',NULL,'[]','');
INSERT INTO "actions" VALUES(2,0,1,'jab',30000000,NULL,'lead',NULL,NULL,'blocked',NULL,NULL,NULL,NULL,'[]','[]',NULL,'[]','');
CREATE TABLE clips (
        exchange_id INTEGER PRIMARY KEY REFERENCES exchanges(id) ON DELETE CASCADE,
        start_us INTEGER NOT NULL,
        end_us INTEGER NOT NULL,
        start_frame INTEGER NOT NULL,
        end_frame INTEGER NOT NULL,
        file TEXT NOT NULL UNIQUE,
        poster TEXT,
        how TEXT NOT NULL,
        why TEXT NOT NULL DEFAULT '',
        digest TEXT NOT NULL, file_size INTEGER, file_digest TEXT, poster_size INTEGER, poster_digest TEXT,
        CHECK (end_frame > start_frame)
    ) STRICT
    ;
INSERT INTO "clips" VALUES(1,14000000,16000000,350,400,'clips/a/1.mp4','posters/a/1.jpg','slice','','d',NULL,NULL,NULL,NULL);
CREATE TABLE corrections (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            fight_id INTEGER NOT NULL REFERENCES fights(id) ON DELETE CASCADE,
            exchange_id INTEGER UNIQUE REFERENCES exchanges(id) ON DELETE SET NULL,
            log_file TEXT NOT NULL,
            round INTEGER,
            start_us INTEGER NOT NULL,
            logged TEXT NOT NULL,
            actions TEXT,
            in_us INTEGER,
            out_us INTEGER,
            made TEXT NOT NULL,
            CHECK ((in_us IS NULL) = (out_us IS NULL)),
            CHECK (actions IS NOT NULL OR in_us IS NOT NULL)
        ) STRICT
        ;
CREATE TABLE drawings (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            fight_id INTEGER NOT NULL REFERENCES fights(id) ON DELETE CASCADE,
            exchange_id INTEGER REFERENCES exchanges(id) ON DELETE SET NULL,
            from_us INTEGER NOT NULL,
            until_us INTEGER NOT NULL,
            shape TEXT NOT NULL,
            removed INTEGER NOT NULL DEFAULT 0 CHECK (removed IN (0, 1)),
            CHECK (until_us > from_us)
        ) STRICT
        ;
CREATE TABLE exchanges (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        fight_id INTEGER NOT NULL REFERENCES fights(id) ON DELETE CASCADE,
        log_id INTEGER NOT NULL REFERENCES logs(id) ON DELETE CASCADE,
        position INTEGER NOT NULL,
        round INTEGER,
        start_us INTEGER,
        end_us INTEGER,
        in_us INTEGER,
        out_us INTEGER,
        exact_span INTEGER NOT NULL DEFAULT 0 CHECK (exact_span IN (0, 1)),
        name TEXT NOT NULL DEFAULT '',
        note TEXT NOT NULL DEFAULT '',
        line INTEGER NOT NULL DEFAULT 0,
        digest TEXT NOT NULL,
        second_opinion INTEGER NOT NULL DEFAULT 0 CHECK (second_opinion IN (0, 1)), view_of INTEGER,
        CHECK ((start_us IS NULL) = (end_us IS NULL)),
        CHECK (end_us >= start_us),
        CHECK ((in_us IS NULL) = (out_us IS NULL))
    ) STRICT
    ;
INSERT INTO "exchanges" VALUES(1,1,1,0,1,14200000,15200000,14200000,15200000,0,'','low',2,'1e2c5cf8667832ae2159153edb421434',0,NULL);
INSERT INTO "exchanges" VALUES(2,1,1,1,1,30000000,31000000,30000000,31000000,0,'','',2,'5188e8e15e5efa88b4ba63552eb2a4aa',0,NULL);
CREATE TABLE fighters (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        name TEXT NOT NULL UNIQUE
    ) STRICT
    ;
INSERT INTO "fighters" VALUES(1,'Emeka Adeyemi');
INSERT INTO "fighters" VALUES(2,'Jonas Brandt');
CREATE TABLE fights (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        title TEXT NOT NULL,
        date TEXT,
        event TEXT NOT NULL DEFAULT '',
        rounds INTEGER,
        round_us INTEGER,
        rest_us INTEGER,
        winner TEXT,
        method TEXT,
        red_id INTEGER NOT NULL REFERENCES fighters(id),
        blue_id INTEGER NOT NULL REFERENCES fighters(id),
        red_stance TEXT CHECK (red_stance IN ('orthodox', 'southpaw')),
        blue_stance TEXT CHECK (blue_stance IN ('orthodox', 'southpaw')),
        round_starts TEXT NOT NULL DEFAULT '[]',
        footage_file TEXT,
        folder TEXT NOT NULL,
        digest TEXT NOT NULL,
        revision INTEGER NOT NULL, private INTEGER NOT NULL DEFAULT 0 CHECK (private IN (0, 1)), periods TEXT NOT NULL DEFAULT '[]', parts TEXT NOT NULL DEFAULT '[]',
        CHECK (red_id <> blue_id)
    ) STRICT
    ;
INSERT INTO "fights" VALUES(1,'Adeyemi v Brandt','2024-05-11','Harbour Hall 3',6,180000000,60000000,'Jonas Brandt','points',1,2,'southpaw','orthodox','[12400000, 252400000]','fight.mp4','/fights/one','d',1,0,'[]','[]');
CREATE TABLE footage (
        fight_id INTEGER PRIMARY KEY REFERENCES fights(id) ON DELETE CASCADE,
        path TEXT NOT NULL,
        size INTEGER NOT NULL,
        mtime_ns INTEGER NOT NULL,
        fingerprint TEXT NOT NULL,
        info TEXT NOT NULL,
        timeline BLOB NOT NULL,
        sliced_path TEXT,
        why TEXT NOT NULL DEFAULT ''
    , sliced_size INTEGER, sliced_digest TEXT) STRICT
    ;
INSERT INTO "footage" VALUES(1,'/fights/one/fight.mp4',12345,5,'ffffffffffffffffffffffffffffffffffffffff','{"container": "mov", "video_codec": "h264", "width": 1280, "height": 720, "sample_aspect": "4/3", "rotation": 90, "interlaced": false, "rate": "30000/1001", "variable_rate": true, "time_base": "1/90000", "frames": 4, "duration_us": 133466, "start_pts": 900, "audio": [{"index": 1, "codec": "aac", "sample_rate": 48000, "channels": 2, "language": "eng"}], "sliceable": true, "why_not": "", "size": 12345, "fingerprint": "ffffffffffffffffffffffffffffffffffffffff", "copyable": false, "timeline": {"end": 12012, "time_base": "1/90000"}, "probed_by": "0.1.0"}',X'789CDBCDCD00067BA0F42E280D00251F0253',NULL,'',NULL,NULL);
CREATE TABLE live_lines (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            log_id INTEGER NOT NULL REFERENCES logs(id) ON DELETE CASCADE,
            said TEXT NOT NULL
        ) STRICT
        ;
CREATE TABLE logs (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        fight_id INTEGER NOT NULL REFERENCES fights(id) ON DELETE CASCADE,
        position INTEGER NOT NULL,
        file TEXT NOT NULL,
        by TEXT NOT NULL DEFAULT '', live INTEGER NOT NULL DEFAULT 0 CHECK (live IN (0, 1)),
        UNIQUE (fight_id, file)
    ) STRICT
    ;
INSERT INTO "logs" VALUES(1,1,0,'log.csv','JL',0);
CREATE TABLE marks (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            fight_id INTEGER NOT NULL REFERENCES fights(id) ON DELETE CASCADE,
            log_id INTEGER NOT NULL REFERENCES logs(id) ON DELETE CASCADE,
            round INTEGER,
            time_us INTEGER NOT NULL,
            until_us INTEGER,
            on_clock INTEGER NOT NULL CHECK (on_clock IN (0, 1)),
            fighter_id INTEGER REFERENCES fighters(id),
            name TEXT NOT NULL DEFAULT '',
            note TEXT NOT NULL,
            line INTEGER NOT NULL DEFAULT 0
        ) STRICT
        ;
CREATE TABLE meta (
        key TEXT PRIMARY KEY,
        value ANY
    ) STRICT, WITHOUT ROWID
    ;
INSERT INTO "meta" VALUES('revision',1);
CREATE TABLE proposals (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            fight_id INTEGER NOT NULL REFERENCES fights(id) ON DELETE CASCADE,
            kind TEXT NOT NULL,
            from_us INTEGER NOT NULL,
            until_us INTEGER NOT NULL,
            facts TEXT NOT NULL,
            decision TEXT CHECK (decision IN ('accepted', 'changed', 'refused')),
            decided_by TEXT,
            decided_at TEXT,
            as_from_us INTEGER,
            as_until_us INTEGER,
            CHECK ((as_from_us IS NULL) = (as_until_us IS NULL))
        ) STRICT
        ;
CREATE TABLE watchings (
            fight_id INTEGER PRIMARY KEY REFERENCES fights(id) ON DELETE CASCADE,
            fingerprint TEXT NOT NULL,
            version TEXT NOT NULL,
            stage TEXT NOT NULL CHECK (stage IN ('sound', 'whole')),
            notes TEXT NOT NULL
        ) STRICT
        ;
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
CREATE UNIQUE INDEX fights_identity ON fights (title, coalesce(date, ''));
CREATE INDEX fights_red ON fights (red_id);
CREATE INDEX fights_blue ON fights (blue_id);
CREATE INDEX footage_fingerprint ON footage (fingerprint);
CREATE INDEX exchanges_fight ON exchanges (fight_id, position);
CREATE INDEX exchanges_log ON exchanges (log_id);
CREATE UNIQUE INDEX corrections_place ON corrections (fight_id, log_file, coalesce(round, -1), start_us);
CREATE INDEX live_lines_log ON live_lines (log_id);
CREATE INDEX drawings_exchange ON drawings (exchange_id);
CREATE INDEX drawings_fight ON drawings (fight_id);
CREATE INDEX marks_fight ON marks (fight_id);
CREATE INDEX marks_log ON marks (log_id);
CREATE INDEX proposals_fight ON proposals (fight_id);
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('fighters',2);
INSERT INTO "sqlite_sequence" VALUES('fights',1);
INSERT INTO "sqlite_sequence" VALUES('logs',1);
INSERT INTO "sqlite_sequence" VALUES('exchanges',2);
COMMIT;
