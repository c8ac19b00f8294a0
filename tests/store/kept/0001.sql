BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0001');
CREATE TABLE amendments (
	"key" TEXT NOT NULL, 
	entry INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	record TEXT NOT NULL, 
	reason TEXT NOT NULL, 
	amended_by TEXT NOT NULL, 
	amended_at DATETIME NOT NULL, 
	CONSTRAINT pk_amendments PRIMARY KEY ("key"), 
	CONSTRAINT ck_amendments_reason CHECK (reason <> ''), 
	CONSTRAINT fk_amendments_entry FOREIGN KEY(entry) REFERENCES log (number), 
	CONSTRAINT uq_amendments_entry UNIQUE (entry), 
	CONSTRAINT ck_amendments_key CHECK (key <> '')
);
INSERT INTO "amendments" VALUES('a1',12,'reading','r1','wrong slice','A','2025-03-01 08:00:00.000000');
INSERT INTO "amendments" VALUES('amendment-13',13,'repair','S001-R','to keep an amendment','JD','2025-06-01 12:00:03.000000');
CREATE TABLE events (
	"key" TEXT NOT NULL, 
	entry INTEGER NOT NULL, 
	repair TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	happened_on DATE NOT NULL, 
	note TEXT NOT NULL, 
	CONSTRAINT pk_events PRIMARY KEY ("key"), 
	CONSTRAINT fk_events_repair FOREIGN KEY(repair) REFERENCES repairs (code), 
	CONSTRAINT ck_events_kind CHECK (kind IN ('revision', 'infection', 'withdrawal', 'death', 'lost')), 
	CONSTRAINT ck_events_key_parts CHECK (key = repair || '/' || kind), 
	CONSTRAINT fk_events_entry FOREIGN KEY(entry) REFERENCES log (number), 
	CONSTRAINT uq_events_entry UNIQUE (entry), 
	CONSTRAINT ck_events_key CHECK (key <> '')
);
INSERT INTO "events" VALUES('S001-R/withdrawal',7,'S001-R','withdrawal','2024-05-01','moved away');
CREATE TABLE head (
	one INTEGER NOT NULL, 
	number INTEGER NOT NULL, 
	digest TEXT NOT NULL, 
	CONSTRAINT pk_head PRIMARY KEY (one), 
	CONSTRAINT ck_head_one CHECK (one = 1)
);
INSERT INTO "head" VALUES(1,13,'6f3db49ec2e615cb78a6bbdafb0cb58e6fa9b71e53376938b58460da86b029f7');
CREATE TABLE log (
	number INTEGER NOT NULL, 
	at DATETIME NOT NULL, 
	who TEXT NOT NULL, 
	what TEXT NOT NULL, 
	record TEXT NOT NULL, 
	old TEXT NOT NULL, 
	new TEXT NOT NULL, 
	reason TEXT NOT NULL, 
	version TEXT NOT NULL, 
	previous TEXT NOT NULL, 
	digest TEXT NOT NULL, 
	CONSTRAINT pk_log PRIMARY KEY (number), 
	CONSTRAINT uq_log_previous UNIQUE (previous), 
	CONSTRAINT ck_log_number CHECK (number >= 1), 
	CONSTRAINT ck_log_who CHECK (who <> '')
);
INSERT INTO "log" VALUES(1,'2025-06-01 12:00:01.000000','JD','study created','schema','','{"from":"","to":"0001"}','','0.1.0','0000000000000000000000000000000000000000000000000000000000000000','bf177bc2cd879163e15b9cadb4d5eaceea6a27874134101ac1c44365672fb42b');
INSERT INTO "log" VALUES(2,'2025-06-01 12:00:02.000000','JD','protocol version added','protocol version:p1','','{"accepted_at":"2025-03-01T08:30:00.123456+00:00","accepted_by":"JD","key":"p1","reason":"","text":"name = \"invented\"\n"}','','0.1.0','bf177bc2cd879163e15b9cadb4d5eaceea6a27874134101ac1c44365672fb42b','6db83f7d58428bf7ab47be186bd72a2297c0fcf240693213472e6aae384afac8');
INSERT INTO "log" VALUES(3,'2025-06-01 12:00:02.000000','JD','repair added','repair:S001-R','','{"age_years":null,"arm":"","code":"S001-R","extra":{},"operated_on":"2024-01-10","sequence":1,"sex":null,"side":"right","site":"","subject":"S001","tear_size_mm":null,"technique":"","tendons":[]}','','0.1.0','6db83f7d58428bf7ab47be186bd72a2297c0fcf240693213472e6aae384afac8','c7e1dd5232f3d73e5c51f98eb12b34424a7086f5cb2d49df9837d482d6a08a82');
INSERT INTO "log" VALUES(4,'2025-06-01 12:00:02.000000','JD','repair added','repair:S002-L','','{"age_years":61,"arm":"A","code":"S002-L","extra":{"empty":"","größe":"é𝒳","wound":"clean; \\u0000 stays text"},"operated_on":"2024-01-10","sequence":1,"sex":"female","side":"left","site":"Nørrebro","subject":"S002","tear_size_mm":0.30000000000000004,"technique":"double row, \"suture bridge\"","tendons":["supraspinatus","infraspinatus"]}','','0.1.0','c7e1dd5232f3d73e5c51f98eb12b34424a7086f5cb2d49df9837d482d6a08a82','59111a0b6b630ae820b7e704f135d820c0812e9f5ccd95a33e7316fcf7457772');
INSERT INTO "log" VALUES(5,'2025-06-01 12:00:02.000000','JD','scan added','scan:2.25.1','','{"acquired_on":"2024-07-09","modality":"MR","repair":"S002-L","stage":"scan in","timepoint":"m06","uid":"2.25.1"}','','0.1.0','59111a0b6b630ae820b7e704f135d820c0812e9f5ccd95a33e7316fcf7457772','8ec703ca67a83b4f6c8d3fb49aae9f71be01300a40011ee7e4af2cabad186d27');
INSERT INTO "log" VALUES(6,'2025-06-01 12:00:02.000000','JD','scan added','scan:2.25.2','','{"acquired_on":"2024-09-01","modality":"US","repair":"S002-L","stage":"final","timepoint":"","uid":"2.25.2"}','','0.1.0','8ec703ca67a83b4f6c8d3fb49aae9f71be01300a40011ee7e4af2cabad186d27','05a4cf0422b8d516470c3fb9ac3a4c3d06a6fb9c895932c8df3c109c5b63d99c');
INSERT INTO "log" VALUES(7,'2025-06-01 12:00:02.000000','JD','event added','event:S001-R/withdrawal','','{"happened_on":"2024-05-01","kind":"withdrawal","note":"moved away","repair":"S001-R"}','','0.1.0','05a4cf0422b8d516470c3fb9ac3a4c3d06a6fb9c895932c8df3c109c5b63d99c','ba3d6e9b0f387672528f97847bae96949855dd8c29ad3cc50a5e5f04ac885c4a');
INSERT INTO "log" VALUES(8,'2025-06-01 12:00:02.000000','JD','score added','score:S002-L/constant/m06','','{"assessed_on":"2024-07-10","name":"constant","parts":{"pain":12.0,"power":14.5},"repair":"S002-L","timepoint":"m06","total":71.5}','','0.1.0','ba3d6e9b0f387672528f97847bae96949855dd8c29ad3cc50a5e5f04ac885c4a','c1ef5f606470b992b574d961c16f4bb619312985e316085d6f4ca18edbeef76c');
INSERT INTO "log" VALUES(9,'2025-06-01 12:00:02.000000','JD','reading added','reading:r1','','{"amends":"","answers":{"assessable":true,"gap_mm":11.25,"nested":{"a":{"é":"x \\u0000"},"b":[]},"pattern":null,"points":[[1.0,-2.5e-17,3.0],[4.0,5.0,6.0]],"sugaya":2},"began_at":"2025-03-01T08:30:00.123456+00:00","key":"r1","protocol_hash":"pppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppp","reader":"A","reason":"","round":"first","scan":"2.25.1","signed_at":"2025-03-01T08:00:00+00:00","software_version":"0.1.0"}','','0.1.0','c1ef5f606470b992b574d961c16f4bb619312985e316085d6f4ca18edbeef76c','0a364876104a43d98806ca0dbbbf2c5bf56311ad02b66c6776a38022e4fd42d1');
INSERT INTO "log" VALUES(10,'2025-06-01 12:00:02.000000','JD','reading added','reading:r2','','{"amends":"r1","answers":{"assessable":true,"gap_mm":11.25,"nested":{"a":{"é":"x \\u0000"},"b":[]},"pattern":null,"points":[[1.0,-2.5e-17,3.0],[4.0,5.0,6.0]],"sugaya":4},"began_at":"2025-03-01T08:30:00.123456+00:00","key":"r2","protocol_hash":"pppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppp","reader":"A","reason":"wrong slice","round":"first","scan":"2.25.1","signed_at":"2025-03-02T08:00:00+00:00","software_version":"0.1.0"}','','0.1.0','0a364876104a43d98806ca0dbbbf2c5bf56311ad02b66c6776a38022e4fd42d1','17bd96c9bf2a271721635a3b4e297414afc6c102733636116dd34467b82a196a');
INSERT INTO "log" VALUES(11,'2025-06-01 12:00:02.000000','JD','verdict added','verdict:v1','','{"answers":{"retear":true},"decided_at":"2025-03-01T08:00:00+00:00","decided_by":"JD","key":"v1","readings":["r1","r2"],"rule":"agreed","scan":"2.25.1"}','','0.1.0','17bd96c9bf2a271721635a3b4e297414afc6c102733636116dd34467b82a196a','7a1ebb3900538394fbaf4a3df8ca57eea85f22f0cf8422c0c9603a629f46139a');
INSERT INTO "log" VALUES(12,'2025-06-01 12:00:02.000000','JD','amendment added','amendment:a1','','{"amended_at":"2025-03-01T08:00:00+00:00","amended_by":"A","key":"a1","kind":"reading","reason":"wrong slice","record":"r1"}','','0.1.0','7a1ebb3900538394fbaf4a3df8ca57eea85f22f0cf8422c0c9603a629f46139a','6a97ab717ba61443dc0dc1076ceec1ea373f549a0e135283eb0511b3c2d1ce73');
INSERT INTO "log" VALUES(13,'2025-06-01 12:00:03.000000','JD','repair amended','repair:S001-R','{"age_years":null,"arm":"","code":"S001-R","extra":{},"operated_on":"2024-01-10","sequence":1,"sex":null,"side":"right","site":"","subject":"S001","tear_size_mm":null,"technique":"","tendons":[]}','{"age_years":null,"arm":"","code":"S001-R","extra":{},"operated_on":"2024-01-10","sequence":1,"sex":null,"side":"right","site":"amended when kept","subject":"S001","tear_size_mm":null,"technique":"","tendons":[]}','to keep an amendment','0.1.0','6a97ab717ba61443dc0dc1076ceec1ea373f549a0e135283eb0511b3c2d1ce73','6f3db49ec2e615cb78a6bbdafb0cb58e6fa9b71e53376938b58460da86b029f7');
CREATE TABLE protocol_versions (
	"key" TEXT NOT NULL, 
	entry INTEGER NOT NULL, 
	text TEXT NOT NULL, 
	accepted_by TEXT NOT NULL, 
	accepted_at DATETIME NOT NULL, 
	reason TEXT NOT NULL, 
	CONSTRAINT pk_protocol_versions PRIMARY KEY ("key"), 
	CONSTRAINT fk_protocol_versions_entry FOREIGN KEY(entry) REFERENCES log (number), 
	CONSTRAINT uq_protocol_versions_entry UNIQUE (entry), 
	CONSTRAINT ck_protocol_versions_key CHECK (key <> '')
);
INSERT INTO "protocol_versions" VALUES('p1',2,'name = "invented"
','JD','2025-03-01 08:30:00.123456','');
CREATE TABLE readings (
	"key" TEXT NOT NULL, 
	entry INTEGER NOT NULL, 
	scan TEXT NOT NULL, 
	reader TEXT NOT NULL, 
	round TEXT NOT NULL, 
	answers TEXT NOT NULL, 
	protocol_hash TEXT NOT NULL, 
	software_version TEXT NOT NULL, 
	began_at DATETIME NOT NULL, 
	signed_at DATETIME NOT NULL, 
	amends TEXT, 
	reason TEXT NOT NULL, 
	CONSTRAINT pk_readings PRIMARY KEY ("key"), 
	CONSTRAINT fk_readings_scan FOREIGN KEY(scan) REFERENCES scans (uid), 
	CONSTRAINT fk_readings_amends FOREIGN KEY(amends) REFERENCES readings ("key"), 
	CONSTRAINT ck_readings_reader CHECK (reader <> ''), 
	CONSTRAINT ck_readings_round CHECK (round IN ('first', 'second', 'repeat', 'settling')), 
	CONSTRAINT ck_readings_amends CHECK (amends <> key), 
	CONSTRAINT ck_readings_reason CHECK ((amends IS NULL) = (reason = '')), 
	CONSTRAINT fk_readings_entry FOREIGN KEY(entry) REFERENCES log (number), 
	CONSTRAINT uq_readings_entry UNIQUE (entry), 
	CONSTRAINT ck_readings_key CHECK (key <> '')
);
INSERT INTO "readings" VALUES('r1',9,'2.25.1','A','first','{"assessable":true,"gap_mm":11.25,"nested":{"a":{"é":"x \\u0000"},"b":[]},"pattern":null,"points":[[1.0,-2.5e-17,3.0],[4.0,5.0,6.0]],"sugaya":2}','pppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppp','0.1.0','2025-03-01 08:30:00.123456','2025-03-01 08:00:00.000000',NULL,'');
INSERT INTO "readings" VALUES('r2',10,'2.25.1','A','first','{"assessable":true,"gap_mm":11.25,"nested":{"a":{"é":"x \\u0000"},"b":[]},"pattern":null,"points":[[1.0,-2.5e-17,3.0],[4.0,5.0,6.0]],"sugaya":4}','pppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppp','0.1.0','2025-03-01 08:30:00.123456','2025-03-02 08:00:00.000000','r1','wrong slice');
CREATE TABLE repairs (
	code TEXT NOT NULL, 
	entry INTEGER NOT NULL, 
	subject TEXT NOT NULL, 
	side TEXT NOT NULL, 
	operated_on DATE NOT NULL, 
	sequence INTEGER NOT NULL, 
	site TEXT NOT NULL, 
	sex TEXT, 
	age_years INTEGER, 
	tear_size_mm DOUBLE, 
	tendons TEXT NOT NULL, 
	technique TEXT NOT NULL, 
	arm TEXT NOT NULL, 
	extra TEXT NOT NULL, 
	CONSTRAINT pk_repairs PRIMARY KEY (code), 
	CONSTRAINT uq_repairs_subject_side_sequence UNIQUE (subject, side, sequence), 
	CONSTRAINT ck_repairs_subject CHECK (subject <> ''), 
	CONSTRAINT ck_repairs_side CHECK (side IN ('left', 'right')), 
	CONSTRAINT ck_repairs_sex CHECK (sex IN ('female', 'male', 'other')), 
	CONSTRAINT ck_repairs_sequence CHECK (sequence >= 1), 
	CONSTRAINT ck_repairs_age_years CHECK (age_years >= 0), 
	CONSTRAINT ck_repairs_tear_size_mm CHECK (tear_size_mm >= 0), 
	CONSTRAINT fk_repairs_entry FOREIGN KEY(entry) REFERENCES log (number), 
	CONSTRAINT uq_repairs_entry UNIQUE (entry), 
	CONSTRAINT ck_repairs_code CHECK (code <> '')
);
INSERT INTO "repairs" VALUES('S001-R',3,'S001','right','2024-01-10',1,'amended when kept',NULL,NULL,NULL,'[]','','','{}');
INSERT INTO "repairs" VALUES('S002-L',4,'S002','left','2024-01-10',1,'Nørrebro','female',61,3.00000000000000044408e-01,'["supraspinatus","infraspinatus"]','double row, "suture bridge"','A','{"empty":"","größe":"é𝒳","wound":"clean; \\u0000 stays text"}');
CREATE TABLE scans (
	uid TEXT NOT NULL, 
	entry INTEGER NOT NULL, 
	repair TEXT NOT NULL, 
	timepoint TEXT NOT NULL, 
	acquired_on DATE NOT NULL, 
	modality TEXT NOT NULL, 
	stage TEXT NOT NULL, 
	CONSTRAINT pk_scans PRIMARY KEY (uid), 
	CONSTRAINT fk_scans_repair FOREIGN KEY(repair) REFERENCES repairs (code), 
	CONSTRAINT ck_scans_modality CHECK (modality IN ('MR', 'CR', 'DX', 'US')), 
	CONSTRAINT ck_scans_stage CHECK (stage IN ('scan in', 'being read', 'readers differ', 'final')), 
	CONSTRAINT fk_scans_entry FOREIGN KEY(entry) REFERENCES log (number), 
	CONSTRAINT uq_scans_entry UNIQUE (entry), 
	CONSTRAINT ck_scans_uid CHECK (uid <> '')
);
INSERT INTO "scans" VALUES('2.25.1',5,'S002-L','m06','2024-07-09','MR','scan in');
INSERT INTO "scans" VALUES('2.25.2',6,'S002-L','','2024-09-01','US','final');
CREATE TABLE scores (
	"key" TEXT NOT NULL, 
	entry INTEGER NOT NULL, 
	repair TEXT NOT NULL, 
	name TEXT NOT NULL, 
	timepoint TEXT NOT NULL, 
	assessed_on DATE NOT NULL, 
	total DOUBLE NOT NULL, 
	parts TEXT NOT NULL, 
	CONSTRAINT pk_scores PRIMARY KEY ("key"), 
	CONSTRAINT fk_scores_repair FOREIGN KEY(repair) REFERENCES repairs (code), 
	CONSTRAINT ck_scores_name CHECK (name <> ''), 
	CONSTRAINT ck_scores_key_parts CHECK (timepoint = '' OR key = repair || '/' || name || '/' || timepoint), 
	CONSTRAINT fk_scores_entry FOREIGN KEY(entry) REFERENCES log (number), 
	CONSTRAINT uq_scores_entry UNIQUE (entry), 
	CONSTRAINT ck_scores_key CHECK (key <> '')
);
INSERT INTO "scores" VALUES('S002-L/constant/m06',8,'S002-L','constant','m06','2024-07-10',71.5,'{"pain":12.0,"power":14.5}');
CREATE TABLE verdicts (
	"key" TEXT NOT NULL, 
	entry INTEGER NOT NULL, 
	scan TEXT NOT NULL, 
	rule TEXT NOT NULL, 
	answers TEXT NOT NULL, 
	readings TEXT NOT NULL, 
	decided_by TEXT NOT NULL, 
	decided_at DATETIME NOT NULL, 
	CONSTRAINT pk_verdicts PRIMARY KEY ("key"), 
	CONSTRAINT fk_verdicts_scan FOREIGN KEY(scan) REFERENCES scans (uid), 
	CONSTRAINT fk_verdicts_entry FOREIGN KEY(entry) REFERENCES log (number), 
	CONSTRAINT uq_verdicts_entry UNIQUE (entry), 
	CONSTRAINT ck_verdicts_key CHECK (key <> '')
);
INSERT INTO "verdicts" VALUES('v1',11,'2.25.1','agreed','{"retear":true}','["r1","r2"]','JD','2025-03-01 08:00:00.000000');
CREATE TRIGGER log_no_update BEFORE UPDATE ON log BEGIN SELECT RAISE(ABORT, 'log is never changed: UPDATE refused'); END;
CREATE TRIGGER log_no_delete BEFORE DELETE ON log BEGIN SELECT RAISE(ABORT, 'log is never changed: DELETE refused'); END;
CREATE TRIGGER log_no_replace BEFORE INSERT ON log WHEN EXISTS (SELECT 1 FROM log WHERE number = NEW.number OR previous = NEW.previous) BEGIN SELECT RAISE(ABORT, 'log is never changed: REPLACE refused'); END;
CREATE TRIGGER readings_no_update BEFORE UPDATE ON readings BEGIN SELECT RAISE(ABORT, 'readings is never changed: UPDATE refused'); END;
CREATE TRIGGER readings_no_delete BEFORE DELETE ON readings BEGIN SELECT RAISE(ABORT, 'readings is never changed: DELETE refused'); END;
CREATE TRIGGER readings_no_replace BEFORE INSERT ON readings WHEN EXISTS (SELECT 1 FROM readings WHERE key = NEW.key OR entry = NEW.entry) BEGIN SELECT RAISE(ABORT, 'readings is never changed: REPLACE refused'); END;
CREATE TRIGGER verdicts_no_update BEFORE UPDATE ON verdicts BEGIN SELECT RAISE(ABORT, 'verdicts is never changed: UPDATE refused'); END;
CREATE TRIGGER verdicts_no_delete BEFORE DELETE ON verdicts BEGIN SELECT RAISE(ABORT, 'verdicts is never changed: DELETE refused'); END;
CREATE TRIGGER verdicts_no_replace BEFORE INSERT ON verdicts WHEN EXISTS (SELECT 1 FROM verdicts WHERE key = NEW.key OR entry = NEW.entry) BEGIN SELECT RAISE(ABORT, 'verdicts is never changed: REPLACE refused'); END;
CREATE TRIGGER amendments_no_update BEFORE UPDATE ON amendments BEGIN SELECT RAISE(ABORT, 'amendments is never changed: UPDATE refused'); END;
CREATE TRIGGER amendments_no_delete BEFORE DELETE ON amendments BEGIN SELECT RAISE(ABORT, 'amendments is never changed: DELETE refused'); END;
CREATE TRIGGER amendments_no_replace BEFORE INSERT ON amendments WHEN EXISTS (SELECT 1 FROM amendments WHERE key = NEW.key OR entry = NEW.entry) BEGIN SELECT RAISE(ABORT, 'amendments is never changed: REPLACE refused'); END;
CREATE TRIGGER protocol_versions_no_update BEFORE UPDATE ON protocol_versions BEGIN SELECT RAISE(ABORT, 'protocol_versions is never changed: UPDATE refused'); END;
CREATE TRIGGER protocol_versions_no_delete BEFORE DELETE ON protocol_versions BEGIN SELECT RAISE(ABORT, 'protocol_versions is never changed: DELETE refused'); END;
CREATE TRIGGER protocol_versions_no_replace BEFORE INSERT ON protocol_versions WHEN EXISTS (SELECT 1 FROM protocol_versions WHERE key = NEW.key OR entry = NEW.entry) BEGIN SELECT RAISE(ABORT, 'protocol_versions is never changed: REPLACE refused'); END;
CREATE TRIGGER repairs_no_delete BEFORE DELETE ON repairs BEGIN SELECT RAISE(ABORT, 'repairs is never changed: DELETE refused'); END;
CREATE TRIGGER scans_no_delete BEFORE DELETE ON scans BEGIN SELECT RAISE(ABORT, 'scans is never changed: DELETE refused'); END;
CREATE TRIGGER events_no_delete BEFORE DELETE ON events BEGIN SELECT RAISE(ABORT, 'events is never changed: DELETE refused'); END;
CREATE TRIGGER scores_no_delete BEFORE DELETE ON scores BEGIN SELECT RAISE(ABORT, 'scores is never changed: DELETE refused'); END;
CREATE TRIGGER head_no_delete BEFORE DELETE ON head BEGIN SELECT RAISE(ABORT, 'head is never changed: DELETE refused'); END;
COMMIT;
