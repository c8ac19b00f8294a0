BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0002');
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
INSERT INTO "amendments" VALUES('a1',16,'reading','r1','wrong slice','A','2025-03-01 08:00:00.000000');
INSERT INTO "amendments" VALUES('amendment-17',17,'repair','S001-R','to keep an amendment','JD','2025-06-01 12:00:03.000000');
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
INSERT INTO "events" VALUES('S001-R/withdrawal',11,'S001-R','withdrawal','2024-05-01','moved away');
CREATE TABLE head (
	one INTEGER NOT NULL, 
	number INTEGER NOT NULL, 
	digest TEXT NOT NULL, 
	CONSTRAINT pk_head PRIMARY KEY (one), 
	CONSTRAINT ck_head_one CHECK (one = 1)
);
INSERT INTO "head" VALUES(1,17,'57b89ca3f4b7e95b52b1509cfd584a5ab581ef7b66c6ff49aa5ea290bf6caf21');
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
INSERT INTO "log" VALUES(1,'2025-06-01 12:00:01.000000','JD','study created','schema','','{"from":"","to":"0002"}','','0.1.0','0000000000000000000000000000000000000000000000000000000000000000','81ee7f7f82738223cbd5ad5e5d991d3cdbe3b7b471d01047be2c0e3ca0dc91d9');
INSERT INTO "log" VALUES(2,'2025-06-01 12:00:02.000000','JD','protocol version added','protocol version:p1','','{"accepted_at":"2025-03-01T08:30:00.123456+00:00","accepted_by":"JD","key":"p1","reason":"","text":"name = \"invented\"\n"}','','0.1.0','81ee7f7f82738223cbd5ad5e5d991d3cdbe3b7b471d01047be2c0e3ca0dc91d9','583026895a071f25017e9b3696f59cacea20b798acd6a3d243732a6dc973cf7f');
INSERT INTO "log" VALUES(3,'2025-06-01 12:00:02.000000','JD','repair added','repair:S001-R','','{"age_years":null,"arm":"","code":"S001-R","extra":{},"operated_on":"2024-01-10","sequence":1,"sex":null,"side":"right","site":"","subject":"S001","tear_size_mm":null,"technique":"","tendons":[]}','','0.1.0','583026895a071f25017e9b3696f59cacea20b798acd6a3d243732a6dc973cf7f','7dce8c99eabcadf8f166b57e80bfffbcd656aacb659667f8251a635448e59cc0');
INSERT INTO "log" VALUES(4,'2025-06-01 12:00:02.000000','JD','repair added','repair:S002-L','','{"age_years":61,"arm":"A","code":"S002-L","extra":{"empty":"","größe":"é𝒳","wound":"clean; \\u0000 stays text"},"operated_on":"2024-01-10","sequence":1,"sex":"female","side":"left","site":"Nørrebro","subject":"S002","tear_size_mm":0.30000000000000004,"technique":"double row, \"suture bridge\"","tendons":["supraspinatus","infraspinatus"]}','','0.1.0','7dce8c99eabcadf8f166b57e80bfffbcd656aacb659667f8251a635448e59cc0','cf9e564b865c3a70b106f22911cbfab77ec8df4ecc9786bd01e28621be907073');
INSERT INTO "log" VALUES(5,'2025-06-01 12:00:02.000000','JD','scan added','scan:2.25.1','','{"acquired_on":"2024-07-09","modality":"MR","repair":"S002-L","stage":"scan in","timepoint":"m06","uid":"2.25.1"}','','0.1.0','cf9e564b865c3a70b106f22911cbfab77ec8df4ecc9786bd01e28621be907073','05cec9c408be60eab22929e2c8a6830f12b628181335df64c5a973c37e9a9343');
INSERT INTO "log" VALUES(6,'2025-06-01 12:00:02.000000','JD','scan added','scan:2.25.2','','{"acquired_on":"2024-09-01","modality":"US","repair":"S002-L","stage":"final","timepoint":"","uid":"2.25.2"}','','0.1.0','05cec9c408be60eab22929e2c8a6830f12b628181335df64c5a973c37e9a9343','4bc263fce7c42e8732074a8619643dfeede8ff5512128d7fc346aeee2a942f54');
INSERT INTO "log" VALUES(7,'2025-06-01 12:00:02.000000','JD','series added','series:2.25.11/2','','{"column_spacing_mm":0.5,"columns":320,"corrected":["plane","side"],"field_tesla":2.8936,"images":["2.25.111","2.25.112#3"],"number":2,"part":"magnitude","plane":"coronal oblique","plane_certainty":"certain","problems":["missing slices: 3 of 20"],"row_spacing_mm":0.30000000000000004,"rows":256,"scan":"2.25.1","side":"left","side_claims":["left by Laterality (certain): stated as L","left, \"likely\""],"slices":2,"spacing_mm":3.3000000000000003,"thickness_mm":3.0,"uid":"2.25.11","weighting":"PD fat suppressed","weighting_certainty":"likely"}','','0.1.0','4bc263fce7c42e8732074a8619643dfeede8ff5512128d7fc346aeee2a942f54','d622970682f45386b6fad72c6413d90ab51331d5998071ca8be13fb283839681');
INSERT INTO "log" VALUES(8,'2025-06-01 12:00:02.000000','JD','series added','series:2.25.12/1','','{"column_spacing_mm":null,"columns":0,"corrected":[],"field_tesla":null,"images":[],"number":1,"part":"","plane":null,"plane_certainty":"unsure","problems":[],"row_spacing_mm":null,"rows":0,"scan":"2.25.1","side":null,"side_claims":[],"slices":0,"spacing_mm":null,"thickness_mm":null,"uid":"2.25.12","weighting":null,"weighting_certainty":"unsure"}','','0.1.0','d622970682f45386b6fad72c6413d90ab51331d5998071ca8be13fb283839681','19e378dedfb7d71c09c862e310f248f07eda5b852186374e381f477db28768b7');
INSERT INTO "log" VALUES(9,'2025-06-01 12:00:02.000000','JD','scan problem added','scan problem:2.25.1/side/','','{"about":"","kind":"side","reason":"","scan":"2.25.1","state":"open","text":"header says right"}','','0.1.0','19e378dedfb7d71c09c862e310f248f07eda5b852186374e381f477db28768b7','429b4af3970e3048b8f54a13e0a2cf5b2c29a26ad1aaa1c8c554aa9e0f353dd7');
INSERT INTO "log" VALUES(10,'2025-06-01 12:00:02.000000','JD','scan problem added','scan problem:2.25.1/series missing/axial, PD','','{"about":"axial, PD","kind":"series missing","reason":"patient could not lie still","scan":"2.25.1","state":"settled","text":"no such series"}','','0.1.0','429b4af3970e3048b8f54a13e0a2cf5b2c29a26ad1aaa1c8c554aa9e0f353dd7','f5f34725d31dfd47ebd69e0057eb42e7a2c8b201a136ba2684959be74cc3b573');
INSERT INTO "log" VALUES(11,'2025-06-01 12:00:02.000000','JD','event added','event:S001-R/withdrawal','','{"happened_on":"2024-05-01","kind":"withdrawal","note":"moved away","repair":"S001-R"}','','0.1.0','f5f34725d31dfd47ebd69e0057eb42e7a2c8b201a136ba2684959be74cc3b573','34f74eeb408dbf49e71c81da646459d45c42ddb878587a105492b8492eb78f75');
INSERT INTO "log" VALUES(12,'2025-06-01 12:00:02.000000','JD','score added','score:S002-L/constant/m06','','{"assessed_on":"2024-07-10","name":"constant","parts":{"pain":12.0,"power":14.5},"repair":"S002-L","timepoint":"m06","total":71.5}','','0.1.0','34f74eeb408dbf49e71c81da646459d45c42ddb878587a105492b8492eb78f75','aa17c1f523b6ab34ed973e6f48723a611f4da3311e4ebfb9a8743e058e6abffc');
INSERT INTO "log" VALUES(13,'2025-06-01 12:00:02.000000','JD','reading added','reading:r1','','{"amends":"","answers":{"assessable":true,"gap_mm":11.25,"nested":{"a":{"é":"x \\u0000"},"b":[]},"pattern":null,"points":[[1.0,-2.5e-17,3.0],[4.0,5.0,6.0]],"sugaya":2},"began_at":"2025-03-01T08:30:00.123456+00:00","key":"r1","protocol_hash":"pppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppp","reader":"A","reason":"","round":"first","scan":"2.25.1","signed_at":"2025-03-01T08:00:00+00:00","software_version":"0.1.0"}','','0.1.0','aa17c1f523b6ab34ed973e6f48723a611f4da3311e4ebfb9a8743e058e6abffc','edaff5b3c9f0dcc80947dfa0567c841a1d04f89ecde929928acd55f4ae06866b');
INSERT INTO "log" VALUES(14,'2025-06-01 12:00:02.000000','JD','reading added','reading:r2','','{"amends":"r1","answers":{"assessable":true,"gap_mm":11.25,"nested":{"a":{"é":"x \\u0000"},"b":[]},"pattern":null,"points":[[1.0,-2.5e-17,3.0],[4.0,5.0,6.0]],"sugaya":4},"began_at":"2025-03-01T08:30:00.123456+00:00","key":"r2","protocol_hash":"pppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppp","reader":"A","reason":"wrong slice","round":"first","scan":"2.25.1","signed_at":"2025-03-02T08:00:00+00:00","software_version":"0.1.0"}','','0.1.0','edaff5b3c9f0dcc80947dfa0567c841a1d04f89ecde929928acd55f4ae06866b','8db43e62421989b9a7386e54ed86ea16da9be922915ee1d15648b3f7af25d9ee');
INSERT INTO "log" VALUES(15,'2025-06-01 12:00:02.000000','JD','verdict added','verdict:v1','','{"answers":{"retear":true},"decided_at":"2025-03-01T08:00:00+00:00","decided_by":"JD","key":"v1","readings":["r1","r2"],"rule":"agreed","scan":"2.25.1"}','','0.1.0','8db43e62421989b9a7386e54ed86ea16da9be922915ee1d15648b3f7af25d9ee','32e81eb6b6eba2d94c255486280087ae1753ab805bdc77055fd4ff75acd67fa9');
INSERT INTO "log" VALUES(16,'2025-06-01 12:00:02.000000','JD','amendment added','amendment:a1','','{"amended_at":"2025-03-01T08:00:00+00:00","amended_by":"A","key":"a1","kind":"reading","reason":"wrong slice","record":"r1"}','','0.1.0','32e81eb6b6eba2d94c255486280087ae1753ab805bdc77055fd4ff75acd67fa9','afab3cad6629176eea09fea31d6a7257cbbd22278c2a286575918879513970d2');
INSERT INTO "log" VALUES(17,'2025-06-01 12:00:03.000000','JD','repair amended','repair:S001-R','{"age_years":null,"arm":"","code":"S001-R","extra":{},"operated_on":"2024-01-10","sequence":1,"sex":null,"side":"right","site":"","subject":"S001","tear_size_mm":null,"technique":"","tendons":[]}','{"age_years":null,"arm":"","code":"S001-R","extra":{},"operated_on":"2024-01-10","sequence":1,"sex":null,"side":"right","site":"amended when kept","subject":"S001","tear_size_mm":null,"technique":"","tendons":[]}','to keep an amendment','0.1.0','afab3cad6629176eea09fea31d6a7257cbbd22278c2a286575918879513970d2','57b89ca3f4b7e95b52b1509cfd584a5ab581ef7b66c6ff49aa5ea290bf6caf21');
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
INSERT INTO "readings" VALUES('r1',13,'2.25.1','A','first','{"assessable":true,"gap_mm":11.25,"nested":{"a":{"é":"x \\u0000"},"b":[]},"pattern":null,"points":[[1.0,-2.5e-17,3.0],[4.0,5.0,6.0]],"sugaya":2}','pppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppp','0.1.0','2025-03-01 08:30:00.123456','2025-03-01 08:00:00.000000',NULL,'');
INSERT INTO "readings" VALUES('r2',14,'2.25.1','A','first','{"assessable":true,"gap_mm":11.25,"nested":{"a":{"é":"x \\u0000"},"b":[]},"pattern":null,"points":[[1.0,-2.5e-17,3.0],[4.0,5.0,6.0]],"sugaya":4}','pppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppp','0.1.0','2025-03-01 08:30:00.123456','2025-03-02 08:00:00.000000','r1','wrong slice');
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
CREATE TABLE scan_problems (
	"key" TEXT NOT NULL, 
	entry INTEGER NOT NULL, 
	scan TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	about TEXT NOT NULL, 
	text TEXT NOT NULL, 
	state TEXT NOT NULL, 
	reason TEXT NOT NULL, 
	CONSTRAINT pk_scan_problems PRIMARY KEY ("key"), 
	CONSTRAINT ck_scan_problems_key_parts CHECK (key = scan || '/' || kind || '/' || about), 
	CONSTRAINT ck_scan_problems_kind CHECK (kind IN ('side', 'second scan', 'outside every window', 'no images of this modality', 'series missing', 'name unsure', 'geometry', 'body part', 'slice thickness', 'slice gap', 'pixel size', 'field strength', 'coverage')), 
	CONSTRAINT ck_scan_problems_state CHECK (state IN ('open', 'settled', 'gone')), 
	CONSTRAINT ck_scan_problems_reason CHECK ((state = 'settled') = (reason <> '')), 
	CONSTRAINT fk_scan_problems_entry FOREIGN KEY(entry) REFERENCES log (number), 
	CONSTRAINT uq_scan_problems_entry UNIQUE (entry), 
	CONSTRAINT fk_scan_problems_scan FOREIGN KEY(scan) REFERENCES scans (uid), 
	CONSTRAINT ck_scan_problems_key CHECK (key <> '')
);
INSERT INTO "scan_problems" VALUES('2.25.1/side/',9,'2.25.1','side','','header says right','open','');
INSERT INTO "scan_problems" VALUES('2.25.1/series missing/axial, PD',10,'2.25.1','series missing','axial, PD','no such series','settled','patient could not lie still');
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
INSERT INTO "scores" VALUES('S002-L/constant/m06',12,'S002-L','constant','m06','2024-07-10',71.5,'{"pain":12.0,"power":14.5}');
CREATE TABLE series (
	"key" TEXT NOT NULL, 
	entry INTEGER NOT NULL, 
	scan TEXT NOT NULL, 
	uid TEXT NOT NULL, 
	number INTEGER NOT NULL, 
	plane TEXT, 
	plane_certainty TEXT NOT NULL, 
	weighting TEXT, 
	weighting_certainty TEXT NOT NULL, 
	side TEXT, 
	side_claims TEXT NOT NULL, 
	part TEXT NOT NULL, 
	rows INTEGER NOT NULL, 
	columns INTEGER NOT NULL, 
	slices INTEGER NOT NULL, 
	spacing_mm DOUBLE, 
	thickness_mm DOUBLE, 
	row_spacing_mm DOUBLE, 
	column_spacing_mm DOUBLE, 
	field_tesla DOUBLE, 
	images TEXT NOT NULL, 
	problems TEXT NOT NULL, 
	corrected TEXT NOT NULL, 
	CONSTRAINT pk_series PRIMARY KEY ("key"), 
	CONSTRAINT ck_series_key_parts CHECK (key = uid || '/' || number), 
	CONSTRAINT ck_series_number CHECK (number >= 1), 
	CONSTRAINT ck_series_plane CHECK (plane IN ('coronal oblique', 'sagittal oblique', 'axial')), 
	CONSTRAINT ck_series_plane_certainty CHECK (plane_certainty IN ('certain', 'likely', 'unsure')), 
	CONSTRAINT ck_series_weighting CHECK (weighting IN ('T1', 'T2', 'PD', 'T1 fat suppressed', 'T2 fat suppressed', 'PD fat suppressed', 'STIR', 'Dixon', 'fluid sensitive')), 
	CONSTRAINT ck_series_weighting_certainty CHECK (weighting_certainty IN ('certain', 'likely', 'unsure')), 
	CONSTRAINT ck_series_side CHECK (side IN ('left', 'right')), 
	CONSTRAINT ck_series_slices CHECK (slices >= 0), 
	CONSTRAINT fk_series_entry FOREIGN KEY(entry) REFERENCES log (number), 
	CONSTRAINT uq_series_entry UNIQUE (entry), 
	CONSTRAINT fk_series_scan FOREIGN KEY(scan) REFERENCES scans (uid), 
	CONSTRAINT ck_series_key CHECK (key <> '')
);
INSERT INTO "series" VALUES('2.25.11/2',7,'2.25.1','2.25.11',2,'coronal oblique','certain','PD fat suppressed','likely','left','["left by Laterality (certain): stated as L","left, \"likely\""]','magnitude',256,320,2,3.30000000000000026645e+00,3.0,3.00000000000000044408e-01,0.5,2.8936,'["2.25.111","2.25.112#3"]','["missing slices: 3 of 20"]','["plane","side"]');
INSERT INTO "series" VALUES('2.25.12/1',8,'2.25.1','2.25.12',1,NULL,'unsure',NULL,'unsure',NULL,'[]','',0,0,0,NULL,NULL,NULL,NULL,NULL,'[]','[]','[]');
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
INSERT INTO "verdicts" VALUES('v1',15,'2.25.1','agreed','{"retear":true}','["r1","r2"]','JD','2025-03-01 08:00:00.000000');
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
CREATE TRIGGER series_no_delete BEFORE DELETE ON series BEGIN SELECT RAISE(ABORT, 'series is never changed: DELETE refused'); END;
CREATE TRIGGER scan_problems_no_delete BEFORE DELETE ON scan_problems BEGIN SELECT RAISE(ABORT, 'scan_problems is never changed: DELETE refused'); END;
CREATE TRIGGER events_no_delete BEFORE DELETE ON events BEGIN SELECT RAISE(ABORT, 'events is never changed: DELETE refused'); END;
CREATE TRIGGER scores_no_delete BEFORE DELETE ON scores BEGIN SELECT RAISE(ABORT, 'scores is never changed: DELETE refused'); END;
CREATE TRIGGER head_no_delete BEFORE DELETE ON head BEGIN SELECT RAISE(ABORT, 'head is never changed: DELETE refused'); END;
COMMIT;
