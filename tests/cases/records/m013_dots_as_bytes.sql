PRAGMA application_id = 1113681508;
BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'bandkeeper','m001_what_came_in','2031-03-03 21:30:00+00:00');
INSERT INTO "_sqlite_migrations" VALUES(2,'bandkeeper','m002_what_was_concluded','2031-03-03 21:30:00+00:00');
INSERT INTO "_sqlite_migrations" VALUES(3,'bandkeeper','m003_tokens','2031-03-03 21:30:00+00:00');
INSERT INTO "_sqlite_migrations" VALUES(4,'bandkeeper','m004_receipts','2031-03-03 21:30:00+00:00');
INSERT INTO "_sqlite_migrations" VALUES(5,'bandkeeper','m005_landings_and_containers','2031-03-03 21:30:00+00:00');
INSERT INTO "_sqlite_migrations" VALUES(6,'bandkeeper','m006_outbox','2031-03-03 21:30:00+00:00');
INSERT INTO "_sqlite_migrations" VALUES(7,'bandkeeper','m007_sessions','2031-03-03 21:30:00+00:00');
INSERT INTO "_sqlite_migrations" VALUES(8,'bandkeeper','m008_figures_and_upkeep','2031-03-03 21:30:00+00:00');
INSERT INTO "_sqlite_migrations" VALUES(9,'bandkeeper','m009_shapes_and_times_away','2031-03-03 21:30:00+00:00');
INSERT INTO "_sqlite_migrations" VALUES(10,'bandkeeper','m010_what_alerts_rested_on','2031-03-03 21:30:00+00:00');
INSERT INTO "_sqlite_migrations" VALUES(11,'bandkeeper','m011_arrivals_as_delays','2031-03-03 21:30:00+00:00');
INSERT INTO "_sqlite_migrations" VALUES(12,'bandkeeper','m012_samples','2031-03-03 21:30:00+00:00');
INSERT INTO "_sqlite_migrations" VALUES(13,'bandkeeper','m013_dots_as_bytes','2031-03-03 21:30:00+00:00');
CREATE TABLE "alert" (
   "id" TEXT PRIMARY KEY,
   "sump" TEXT NOT NULL,
   "raised_s" REAL NOT NULL,
   "cleared_s" REAL,
   "body" TEXT NOT NULL
);
INSERT INTO "alert" VALUES('a-1','lathe-04',1930339801.0,NULL,'{"id":"a-1","sump":"lathe-04","kind":"leaves_band_unattended","state":"unacknowledged","priority":"high","raised_s":1930339801.0,"updated_s":1930339801.0,"text":"lathe-04 gets too rich at about 03:00","side":"rich","subject":"","exit_p50_h":5.5,"cleared_s":null,"acknowledged_s":null,"acknowledged_by":"","shelved_until_s":null,"shelved_reason":"","recipe":{"sump":"lathe-04","kind":"take_out_and_refill","made_s":1930339800.0,"for_s":1930339860.0,"from_volume_l":310.2,"from_concentration_pct":13.1,"steps":[{"do":"take_out","volume_l":95.0,"mix_pct":null,"water":null,"concentrate_l":null,"containers":null,"until_level_mm":172.0,"minutes":null,"time_s":null,"what":null,"setting_pct":null,"container":null,"set_aside_l":null,"set_aside_pct":null},{"do":"add","volume_l":165.0,"mix_pct":1.0,"water":null,"concentrate_l":null,"containers":null,"until_level_mm":null,"minutes":null,"time_s":null,"what":null,"setting_pct":null,"container":null,"set_aside_l":null,"set_aside_pct":null},{"do":"look","volume_l":null,"mix_pct":null,"water":null,"concentrate_l":null,"containers":null,"until_level_mm":null,"minutes":null,"time_s":null,"what":null,"setting_pct":null,"container":null,"set_aside_l":null,"set_aside_pct":null}],"lands":{"volume_l":380.2,"concentration_pct":7.85,"p10":7.6,"p90":8.1,"in_band_probability":0.99},"concentrate_l":1.65,"water_l":163.35,"waste_l":0.0,"set_aside_l":95.0,"why":"rich","cautions":["gloves"],"instead":{"sump":"lathe-04","kind":"check_first","made_s":1930339800.0,"for_s":1930339860.0,"from_volume_l":310.2,"from_concentration_pct":13.1,"steps":[],"lands":{"volume_l":380.2,"concentration_pct":7.85,"p10":7.6,"p90":8.1,"in_band_probability":0.99},"concentrate_l":1.65,"water_l":163.35,"waste_l":0.0,"set_aside_l":95.0,"why":"rich","cautions":["gloves"],"instead":null,"set_aside_used_l":0.0},"set_aside_used_l":0.0},"told_s":null,"told_exit_s":null,"told_as":"","absent_s":null,"returns":0,"came_s":null,"flapping_s":null,"aside_s":null,"aside_by":"","acted_s":null}');
INSERT INTO "alert" VALUES('a-2','lathe-04',1930339802.0,1930339860.0,'{"id":"a-2","sump":"lathe-04","kind":"leaves_band_unattended","state":"unacknowledged","priority":"high","raised_s":1930339802.0,"updated_s":1930339802.0,"text":"lathe-04 gets too rich at about 03:00","side":"rich","subject":"","exit_p50_h":5.5,"cleared_s":1930339860.0,"acknowledged_s":null,"acknowledged_by":"","shelved_until_s":null,"shelved_reason":"","recipe":{"sump":"lathe-04","kind":"take_out_and_refill","made_s":1930339800.0,"for_s":1930339860.0,"from_volume_l":310.2,"from_concentration_pct":13.1,"steps":[{"do":"take_out","volume_l":95.0,"mix_pct":null,"water":null,"concentrate_l":null,"containers":null,"until_level_mm":172.0,"minutes":null,"time_s":null,"what":null,"setting_pct":null,"container":null,"set_aside_l":null,"set_aside_pct":null},{"do":"add","volume_l":165.0,"mix_pct":1.0,"water":null,"concentrate_l":null,"containers":null,"until_level_mm":null,"minutes":null,"time_s":null,"what":null,"setting_pct":null,"container":null,"set_aside_l":null,"set_aside_pct":null},{"do":"look","volume_l":null,"mix_pct":null,"water":null,"concentrate_l":null,"containers":null,"until_level_mm":null,"minutes":null,"time_s":null,"what":null,"setting_pct":null,"container":null,"set_aside_l":null,"set_aside_pct":null}],"lands":{"volume_l":380.2,"concentration_pct":7.85,"p10":7.6,"p90":8.1,"in_band_probability":0.99},"concentrate_l":1.65,"water_l":163.35,"waste_l":0.0,"set_aside_l":95.0,"why":"rich","cautions":["gloves"],"instead":{"sump":"lathe-04","kind":"check_first","made_s":1930339800.0,"for_s":1930339860.0,"from_volume_l":310.2,"from_concentration_pct":13.1,"steps":[],"lands":{"volume_l":380.2,"concentration_pct":7.85,"p10":7.6,"p90":8.1,"in_band_probability":0.99},"concentrate_l":1.65,"water_l":163.35,"waste_l":0.0,"set_aside_l":95.0,"why":"rich","cautions":["gloves"],"instead":null,"set_aside_used_l":0.0},"set_aside_used_l":0.0},"told_s":null,"told_exit_s":null,"told_as":"","absent_s":null,"returns":0,"came_s":null,"flapping_s":null,"aside_s":null,"aside_by":"","acted_s":null}');
CREATE TABLE away (to_s REAL PRIMARY KEY, from_s REAL NOT NULL) WITHOUT ROWID;
CREATE TABLE checkpoint (id INTEGER PRIMARY KEY, time_s REAL NOT NULL UNIQUE, body BLOB NOT NULL);
INSERT INTO "checkpoint" VALUES(1,1930340400.0,X'7374617465206F662074686520706970656C696E65');
CREATE TABLE daily (stretch INTEGER NOT NULL, stream INTEGER NOT NULL, day INTEGER NOT NULL, count INTEGER NOT NULL, unsure INTEGER NOT NULL, low REAL, mean REAL, high REAL, last REAL, PRIMARY KEY (stretch, stream, day)) WITHOUT ROWID;
INSERT INTO "daily" VALUES(698,1,22340,480,3,200.0,230.5,260.0,251.0);
CREATE TABLE "entry" (
   "id" TEXT PRIMARY KEY,
   "sump" TEXT NOT NULL,
   "kind" TEXT NOT NULL,
   "time_s" REAL NOT NULL,
   "logged_s" REAL NOT NULL,
   "volume_l" REAL,
   "mix_pct" REAL,
   "value" REAL,
   "unit" TEXT NOT NULL,
   "note" TEXT NOT NULL
, who TEXT NOT NULL DEFAULT '', container TEXT NOT NULL DEFAULT '');
INSERT INTO "entry" VALUES('e-1','lathe-04','top_up',1930339800.0,1930343400.0,60.0,4.5,NULL,'','night','','');
INSERT INTO "entry" VALUES('e-2','lathe-04','top_up',1930341600.0,1930345200.0,60.0,4.5,NULL,'','night','','');
CREATE TABLE estimate (time_s REAL NOT NULL, sump TEXT NOT NULL, volume_l REAL, volume_sd_l REAL, concentration_pct REAL, concentration_sd_pct REAL, evaporation_l_per_day REAL, drag_out_l_per_day REAL, PRIMARY KEY (time_s, sump)) WITHOUT ROWID;
INSERT INTO "estimate" VALUES(1930339800.0,'lathe-04',320.0,3.0,8.1,0.2,20.0,5.0);
INSERT INTO "estimate" VALUES(1930343400.0,'lathe-04',320.0,3.0,8.1,0.2,20.0,5.0);
CREATE TABLE "event" (
   "id" TEXT PRIMARY KEY,
   "sump" TEXT NOT NULL,
   "kind" TEXT NOT NULL,
   "time_s" REAL NOT NULL,
   "detected_s" REAL NOT NULL,
   "volume_l" REAL,
   "mix_pct" REAL,
   "confidence" REAL NOT NULL,
   "detail" TEXT NOT NULL
);
INSERT INTO "event" VALUES('v-1','lathe-04','unlogged_top_up',1930339801.0,1930340401.0,40.0,4.0,0.9,'level and Brix');
INSERT INTO "event" VALUES('v-2','lathe-04','unlogged_top_up',1930339802.0,1930340402.0,40.0,4.0,0.9,'level and Brix');
CREATE TABLE follow_up (id TEXT PRIMARY KEY, alert_id TEXT NOT NULL, transition_id TEXT NOT NULL, route TEXT NOT NULL, step TEXT NOT NULL, number INTEGER NOT NULL, due_s REAL NOT NULL);
INSERT INTO "follow_up" VALUES('f-1','a-1','t-1','all','escalate',1,1930340700.0);
CREATE TABLE forecast (hour INTEGER NOT NULL, sump TEXT NOT NULL, made_s REAL NOT NULL, horizon_h REAL NOT NULL, exit_p10_h REAL, exit_p50_h REAL, exit_p90_h REAL, side TEXT NOT NULL, side_share TEXT NOT NULL, dots_h TEXT NOT NULL, PRIMARY KEY (hour, sump)) WITHOUT ROWID;
INSERT INTO "forecast" VALUES(536205,'lathe-04',1930339800.0,240.0,30.0,33.0,36.0,'rich','{"rich":0.75,"none":0.25}',X'000075300000767D000077CB0000791800007A6500007BB300007D0000007E4D00007F9B000080E80000823500008383000084D00000861D0000876B000088B800008A0500008B5300008CA000008DED');
INSERT INTO "forecast" VALUES(536206,'lathe-04',1930343400.0,240.0,30.0,33.0,36.0,'rich','{"rich":0.75,"none":0.25}',X'000075300000767D000077CB0000791800007A6500007BB300007D0000007E4D00007F9B000080E80000823500008383000084D00000861D0000876B000088B800008A0500008B5300008CA000008DED');
CREATE TABLE hourly (day INTEGER NOT NULL, stream INTEGER NOT NULL, hour INTEGER NOT NULL, count INTEGER NOT NULL, unsure INTEGER NOT NULL, low REAL, mean REAL, high REAL, last REAL, PRIMARY KEY (day, stream, hour)) WITHOUT ROWID;
INSERT INTO "hourly" VALUES(22341,1,21,40,0,211.0,230.5,250.0,211.0);
CREATE TABLE "landing" (
   "id" TEXT PRIMARY KEY,
   "sump" TEXT NOT NULL,
   "time_s" REAL NOT NULL,
   "verdict" TEXT NOT NULL,
   "body" TEXT NOT NULL
);
INSERT INTO "landing" VALUES('l-1','lathe-04',1930339800.0,'landed','{}');
CREATE TABLE late_day (day INTEGER PRIMARY KEY);
INSERT INTO "late_day" VALUES(22340);
CREATE TABLE mishap (id INTEGER PRIMARY KEY, time_s REAL NOT NULL, what TEXT NOT NULL, remedy TEXT);
INSERT INTO "mishap" VALUES(1,1930339800.0,'the record was damaged','see to the disk');
CREATE TABLE "opening" (
   "id" INTEGER PRIMARY KEY,
   "time_s" REAL NOT NULL
, closed INTEGER NOT NULL DEFAULT 1);
INSERT INTO "opening" VALUES(1,1930339800.0,1);
CREATE TABLE outbox (id INTEGER PRIMARY KEY, key TEXT NOT NULL UNIQUE, event TEXT NOT NULL, alert_id TEXT, person TEXT NOT NULL, ways TEXT NOT NULL, way INTEGER NOT NULL DEFAULT 0, channel TEXT NOT NULL, body TEXT NOT NULL, only_if_open INTEGER NOT NULL, made_s REAL NOT NULL, due_s REAL NOT NULL, lease_s REAL, tries INTEGER NOT NULL DEFAULT 0, way_tries INTEGER NOT NULL DEFAULT 0, refused TEXT NOT NULL DEFAULT '', state TEXT NOT NULL DEFAULT 'waiting', done_s REAL, detail TEXT NOT NULL DEFAULT '');
INSERT INTO "outbox" VALUES(1,'k-1','t-1','a-1','ana','[["mail", "ana@example.org"]]',0,'mail','{"text": "gannet"}',0,1930339800.0,1930339800.0,NULL,0,0,'','waiting',NULL,'');
CREATE TABLE reading (time_s REAL NOT NULL, stream INTEGER NOT NULL, value REAL, quality INTEGER NOT NULL, arrived_s REAL, reason TEXT, PRIMARY KEY (time_s, stream)) WITHOUT ROWID;
CREATE TABLE receipt (id INTEGER PRIMARY KEY, source TEXT NOT NULL, mid INTEGER NOT NULL, digest INTEGER NOT NULL, arrived_s REAL NOT NULL);
INSERT INTO "receipt" VALUES(1,'hall',7,-5,1930339800.0);
CREATE TABLE "rejected" (
   "id" INTEGER PRIMARY KEY,
   "place" TEXT NOT NULL,
   "arrived_s" REAL NOT NULL,
   "why" TEXT NOT NULL,
   "raw" TEXT NOT NULL
);
INSERT INTO "rejected" VALUES(1,'hall: hall/lathe-04/level',1930339800.0,'no JSON','level is fine');
CREATE TABLE sample (key INTEGER PRIMARY KEY, value REAL, quality INTEGER NOT NULL, arrived_s REAL, reason TEXT, time_s REAL, stream INTEGER);
INSERT INTO "sample" VALUES(2024107986124800001,250.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024108049039360001,249.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024108111953920001,248.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024108174868480001,247.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024108237783040001,246.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024108300697600001,245.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024108363612160001,244.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024108426526720001,243.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024108489441280001,242.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024108552355840001,241.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024108615270400001,240.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024108678184960001,239.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024108741099520001,238.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024108804014080001,237.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024108866928640001,236.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024108929843200001,235.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024108992757760001,234.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024109055672320001,233.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024109118586880001,232.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024109181501440001,231.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024109244416000001,230.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024109307330560001,229.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024109370245120001,228.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024109433159680001,227.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024109496074240001,226.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024109558988800001,225.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024109621903360001,224.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024109684817920001,223.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024109747732480001,222.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024109810647040001,221.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024109873561600001,220.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024109936476160001,219.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024109999390720001,218.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024110062305280001,217.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024110125219840001,216.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024110188134400001,215.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024110251048960001,214.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024110313963520001,213.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024110376878080001,212.0,0,500.0,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2024110439792640001,211.0,0,500.0,NULL,NULL,NULL);
CREATE TABLE "session" (
   "hash" TEXT PRIMARY KEY,
   "token" TEXT NOT NULL,
   "begun_s" REAL NOT NULL,
   "expires_s" REAL NOT NULL
);
INSERT INTO "session" VALUES('abc','phone',1930339800.0,1930400000.0);
CREATE TABLE shape (sump TEXT PRIMARY KEY, text TEXT NOT NULL, since_s REAL) WITHOUT ROWID;
CREATE TABLE stream (id INTEGER PRIMARY KEY, sump TEXT NOT NULL, signal TEXT NOT NULL, UNIQUE (sump, signal));
INSERT INTO "stream" VALUES(1,'lathe-04','level');
CREATE TABLE "token" (
   "name" TEXT PRIMARY KEY,
   "hash" TEXT NOT NULL,
   "scope" TEXT NOT NULL,
   "created_s" REAL NOT NULL,
   "expires_s" REAL
);
INSERT INTO "token" VALUES('phone','92bd93024fb95c2bfcc3ab4c56ef8c826b2444c1e5cf34703c591f8b066d5514','act',1930339800.0,1931339800.0);
CREATE TABLE "transition" (
   "id" TEXT PRIMARY KEY,
   "alert_id" TEXT NOT NULL,
   "time_s" REAL NOT NULL,
   "before" TEXT NOT NULL,
   "after" TEXT NOT NULL,
   "reason" TEXT NOT NULL,
   "body" TEXT NOT NULL
, basis TEXT NOT NULL DEFAULT '');
INSERT INTO "transition" VALUES('t-1','a-1',1930339801.0,'unacknowledged','unacknowledged','will leave the band','{"id":"a-1","sump":"lathe-04","kind":"leaves_band_unattended","state":"unacknowledged","priority":"high","raised_s":1930339801.0,"updated_s":1930339801.0,"text":"lathe-04 gets too rich at about 03:00","side":"rich","subject":"","exit_p50_h":5.5,"cleared_s":null,"acknowledged_s":null,"acknowledged_by":"","shelved_until_s":null,"shelved_reason":"","recipe":{"sump":"lathe-04","kind":"take_out_and_refill","made_s":1930339800.0,"for_s":1930339860.0,"from_volume_l":310.2,"from_concentration_pct":13.1,"steps":[{"do":"take_out","volume_l":95.0,"mix_pct":null,"water":null,"concentrate_l":null,"containers":null,"until_level_mm":172.0,"minutes":null,"time_s":null,"what":null,"setting_pct":null,"container":null,"set_aside_l":null,"set_aside_pct":null},{"do":"add","volume_l":165.0,"mix_pct":1.0,"water":null,"concentrate_l":null,"containers":null,"until_level_mm":null,"minutes":null,"time_s":null,"what":null,"setting_pct":null,"container":null,"set_aside_l":null,"set_aside_pct":null},{"do":"look","volume_l":null,"mix_pct":null,"water":null,"concentrate_l":null,"containers":null,"until_level_mm":null,"minutes":null,"time_s":null,"what":null,"setting_pct":null,"container":null,"set_aside_l":null,"set_aside_pct":null}],"lands":{"volume_l":380.2,"concentration_pct":7.85,"p10":7.6,"p90":8.1,"in_band_probability":0.99},"concentrate_l":1.65,"water_l":163.35,"waste_l":0.0,"set_aside_l":95.0,"why":"rich","cautions":["gloves"],"instead":{"sump":"lathe-04","kind":"check_first","made_s":1930339800.0,"for_s":1930339860.0,"from_volume_l":310.2,"from_concentration_pct":13.1,"steps":[],"lands":{"volume_l":380.2,"concentration_pct":7.85,"p10":7.6,"p90":8.1,"in_band_probability":0.99},"concentrate_l":1.65,"water_l":163.35,"waste_l":0.0,"set_aside_l":95.0,"why":"rich","cautions":["gloves"],"instead":null,"set_aside_used_l":0.0},"set_aside_used_l":0.0},"told_s":null,"told_exit_s":null,"told_as":"","absent_s":null,"returns":0,"came_s":null,"flapping_s":null,"aside_s":null,"aside_by":"","acted_s":null}','');
INSERT INTO "transition" VALUES('t-2','a-2',1930339802.0,'unacknowledged','unacknowledged','will leave the band','{"id":"a-2","sump":"lathe-04","kind":"leaves_band_unattended","state":"unacknowledged","priority":"high","raised_s":1930339802.0,"updated_s":1930339802.0,"text":"lathe-04 gets too rich at about 03:00","side":"rich","subject":"","exit_p50_h":5.5,"cleared_s":1930339860.0,"acknowledged_s":null,"acknowledged_by":"","shelved_until_s":null,"shelved_reason":"","recipe":{"sump":"lathe-04","kind":"take_out_and_refill","made_s":1930339800.0,"for_s":1930339860.0,"from_volume_l":310.2,"from_concentration_pct":13.1,"steps":[{"do":"take_out","volume_l":95.0,"mix_pct":null,"water":null,"concentrate_l":null,"containers":null,"until_level_mm":172.0,"minutes":null,"time_s":null,"what":null,"setting_pct":null,"container":null,"set_aside_l":null,"set_aside_pct":null},{"do":"add","volume_l":165.0,"mix_pct":1.0,"water":null,"concentrate_l":null,"containers":null,"until_level_mm":null,"minutes":null,"time_s":null,"what":null,"setting_pct":null,"container":null,"set_aside_l":null,"set_aside_pct":null},{"do":"look","volume_l":null,"mix_pct":null,"water":null,"concentrate_l":null,"containers":null,"until_level_mm":null,"minutes":null,"time_s":null,"what":null,"setting_pct":null,"container":null,"set_aside_l":null,"set_aside_pct":null}],"lands":{"volume_l":380.2,"concentration_pct":7.85,"p10":7.6,"p90":8.1,"in_band_probability":0.99},"concentrate_l":1.65,"water_l":163.35,"waste_l":0.0,"set_aside_l":95.0,"why":"rich","cautions":["gloves"],"instead":{"sump":"lathe-04","kind":"check_first","made_s":1930339800.0,"for_s":1930339860.0,"from_volume_l":310.2,"from_concentration_pct":13.1,"steps":[],"lands":{"volume_l":380.2,"concentration_pct":7.85,"p10":7.6,"p90":8.1,"in_band_probability":0.99},"concentrate_l":1.65,"water_l":163.35,"waste_l":0.0,"set_aside_l":95.0,"why":"rich","cautions":["gloves"],"instead":null,"set_aside_used_l":0.0},"set_aside_used_l":0.0},"told_s":null,"told_exit_s":null,"told_as":"","absent_s":null,"returns":0,"came_s":null,"flapping_s":null,"aside_s":null,"aside_by":"","acted_s":null}','');
CREATE TABLE upkeep (id INTEGER PRIMARY KEY CHECK (id = 1), believed_s REAL NOT NULL DEFAULT -1e18, figures_to_s REAL NOT NULL DEFAULT -1e18, readings_from_s REAL NOT NULL DEFAULT -1e18, thinned_to_s REAL NOT NULL DEFAULT -1e18);
INSERT INTO "upkeep" VALUES(1,-1.0e+18,-1.0e+18,-1.0e+18,-1.0e+18);
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
CREATE INDEX "idx_entry_time_s"
    ON "entry" ("time_s");
CREATE INDEX "idx_event_time_s"
    ON "event" ("time_s");
CREATE INDEX "idx_alert_raised_s"
    ON "alert" ("raised_s");
CREATE INDEX "idx_transition_time_s"
    ON "transition" ("time_s");
CREATE INDEX "idx_landing_sump_time_s"
    ON "landing" ("sump", "time_s");
CREATE INDEX outbox_waiting ON outbox (channel, due_s) WHERE state = 'waiting';
CREATE INDEX outbox_done ON outbox (done_s);
CREATE INDEX outbox_event ON outbox (event);
CREATE INDEX follow_up_due ON follow_up (due_s);
CREATE INDEX "idx_session_token"
    ON "session" ("token");
CREATE INDEX alert_open ON alert (raised_s) WHERE cleared_s IS NULL;
CREATE INDEX alert_closed ON alert (cleared_s) WHERE cleared_s IS NOT NULL;
CREATE INDEX transition_alert ON [transition] (alert_id);
CREATE INDEX landing_time ON landing (time_s);
COMMIT;
