BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0004');
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
INSERT INTO "amendments" VALUES('a1',23,'reading','r1','wrong slice','A','2025-03-01 08:00:00.000000');
INSERT INTO "amendments" VALUES('amendment-24',24,'repair','S001-R','to keep an amendment','JD','2025-06-01 12:00:03.000000');
CREATE TABLE cases (
	code TEXT NOT NULL, 
	entry INTEGER NOT NULL, 
	reader TEXT NOT NULL, 
	scan TEXT NOT NULL, 
	round TEXT NOT NULL, 
	batch INTEGER NOT NULL, 
	place INTEGER NOT NULL, 
	attempt INTEGER NOT NULL, 
	open_from DATE, 
	CONSTRAINT pk_cases PRIMARY KEY (code), 
	CONSTRAINT fk_cases_scan FOREIGN KEY(scan) REFERENCES scans (uid), 
	CONSTRAINT uq_cases_reader_scan_round_attempt UNIQUE (reader, scan, round, attempt), 
	CONSTRAINT uq_cases_reader_batch_place UNIQUE (reader, batch, place), 
	CONSTRAINT ck_cases_reader CHECK (reader <> ''), 
	CONSTRAINT ck_cases_round CHECK (round IN ('first', 'second', 'repeat', 'settling', 'training')), 
	CONSTRAINT ck_cases_counts CHECK (batch >= 1 AND place >= 1 AND attempt >= 1), 
	CONSTRAINT fk_cases_entry FOREIGN KEY(entry) REFERENCES log (number), 
	CONSTRAINT uq_cases_entry UNIQUE (entry), 
	CONSTRAINT ck_cases_code CHECK (code <> '')
);
INSERT INTO "cases" VALUES('K7Q2M9XD',13,'A','2.25.1','repeat',2,1,3,'2025-04-01');
INSERT INTO "cases" VALUES('M2P4R6T8',14,'A','2.25.2','training',1,1,1,NULL);
CREATE TABLE drafts (
	case_code TEXT NOT NULL, 
	session TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	answers TEXT NOT NULL, 
	images TEXT NOT NULL, 
	shown TEXT NOT NULL, 
	began_at DATETIME NOT NULL, 
	saved_at DATETIME NOT NULL, 
	active_seconds DOUBLE NOT NULL, proposals TEXT, 
	CONSTRAINT pk_drafts PRIMARY KEY (case_code), 
	CONSTRAINT fk_drafts_case_code FOREIGN KEY(case_code) REFERENCES cases (code)
);
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
INSERT INTO "head" VALUES(1,24,'b2dbe1ffa86b727f2f8643ed7e927ebeb1f38ebb6e2180fa4dcfe8c4acde8e0a');
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
INSERT INTO "log" VALUES(1,'2025-06-01 12:00:01.000000','JD','study created','schema','','{"from":"","to":"0004"}','','0.1.0','0000000000000000000000000000000000000000000000000000000000000000','ef8a0d27489b12f710da65cfd5cdb133f52ab0cab73c304e9c939e378f668edd');
INSERT INTO "log" VALUES(2,'2025-06-01 12:00:02.000000','JD','protocol version added','protocol version:p1','','{"accepted_at":"2025-03-01T08:30:00.123456+00:00","accepted_by":"JD","key":"p1","reason":"","text":"name = \"invented\"\n"}','','0.1.0','ef8a0d27489b12f710da65cfd5cdb133f52ab0cab73c304e9c939e378f668edd','58a9c45e3d27b39d7f75ce1714ec5fafc3b4b6191840561f56fd35a7fef7e55e');
INSERT INTO "log" VALUES(3,'2025-06-01 12:00:02.000000','JD','repair added','repair:S001-R','','{"age_years":null,"arm":"","code":"S001-R","extra":{},"operated_on":"2024-01-10","sequence":1,"sex":null,"side":"right","site":"","subject":"S001","tear_size_mm":null,"technique":"","tendons":[]}','','0.1.0','58a9c45e3d27b39d7f75ce1714ec5fafc3b4b6191840561f56fd35a7fef7e55e','20e5759cd7bd7c5289a0cf405256dd0bf967231d3c276e8124f4666f64379f5a');
INSERT INTO "log" VALUES(4,'2025-06-01 12:00:02.000000','JD','repair added','repair:S002-L','','{"age_years":61,"arm":"A","code":"S002-L","extra":{"empty":"","größe":"é𝒳","wound":"clean; \\u0000 stays text"},"operated_on":"2024-01-10","sequence":1,"sex":"female","side":"left","site":"Nørrebro","subject":"S002","tear_size_mm":0.30000000000000004,"technique":"double row, \"suture bridge\"","tendons":["supraspinatus","infraspinatus"]}','','0.1.0','20e5759cd7bd7c5289a0cf405256dd0bf967231d3c276e8124f4666f64379f5a','d1e340266e30dbe275a2acaa79ce3ff18b0115d3c9ea8740c11be91119fafa54');
INSERT INTO "log" VALUES(5,'2025-06-01 12:00:02.000000','JD','scan added','scan:2.25.1','','{"acquired_on":"2024-07-09","modality":"MR","repair":"S002-L","stage":"scan in","timepoint":"m06","uid":"2.25.1"}','','0.1.0','d1e340266e30dbe275a2acaa79ce3ff18b0115d3c9ea8740c11be91119fafa54','1b4efd919677939dad49d733bd1146eee6ab36ccdb8c945b9a9c67ea1c9d6171');
INSERT INTO "log" VALUES(6,'2025-06-01 12:00:02.000000','JD','scan added','scan:2.25.2','','{"acquired_on":"2024-09-01","modality":"US","repair":"S002-L","stage":"final","timepoint":"","uid":"2.25.2"}','','0.1.0','1b4efd919677939dad49d733bd1146eee6ab36ccdb8c945b9a9c67ea1c9d6171','afdaf911f1357908dd079e07573e789ecf3e50086fda98ba9a2bed920a4791bb');
INSERT INTO "log" VALUES(7,'2025-06-01 12:00:02.000000','JD','series added','series:2.25.11/2','','{"column_spacing_mm":0.5,"columns":320,"corrected":["plane","side"],"field_tesla":2.8936,"images":["2.25.111","2.25.112#3"],"number":2,"part":"magnitude","plane":"coronal oblique","plane_certainty":"certain","problems":["missing slices: 3 of 20"],"row_spacing_mm":0.30000000000000004,"rows":256,"scan":"2.25.1","side":"left","side_claims":["left by Laterality (certain): stated as L","left, \"likely\""],"slices":2,"spacing_mm":3.3000000000000003,"thickness_mm":3.0,"uid":"2.25.11","weighting":"PD fat suppressed","weighting_certainty":"likely"}','','0.1.0','afdaf911f1357908dd079e07573e789ecf3e50086fda98ba9a2bed920a4791bb','8d0d1bf78b469af1e5aff25b6ef5d62b0348fefcb9990397661fcb3b63cc8fd7');
INSERT INTO "log" VALUES(8,'2025-06-01 12:00:02.000000','JD','series added','series:2.25.12/1','','{"column_spacing_mm":null,"columns":0,"corrected":[],"field_tesla":null,"images":[],"number":1,"part":"","plane":null,"plane_certainty":"unsure","problems":[],"row_spacing_mm":null,"rows":0,"scan":"2.25.1","side":null,"side_claims":[],"slices":0,"spacing_mm":null,"thickness_mm":null,"uid":"2.25.12","weighting":null,"weighting_certainty":"unsure"}','','0.1.0','8d0d1bf78b469af1e5aff25b6ef5d62b0348fefcb9990397661fcb3b63cc8fd7','e0b175b6f10383a197227e0a55d7925e1f8670c40a9253564512e6b6cffda7d1');
INSERT INTO "log" VALUES(9,'2025-06-01 12:00:02.000000','JD','scan problem added','scan problem:2.25.1/side/','','{"about":"","kind":"side","reason":"","scan":"2.25.1","state":"open","text":"header says right"}','','0.1.0','e0b175b6f10383a197227e0a55d7925e1f8670c40a9253564512e6b6cffda7d1','9a3324e00adfbda82ccd651ff0aa7e8884cb58318f2d7c57c823dcbd0295239f');
INSERT INTO "log" VALUES(10,'2025-06-01 12:00:02.000000','JD','scan problem added','scan problem:2.25.1/series missing/axial, PD','','{"about":"axial, PD","kind":"series missing","reason":"patient could not lie still","scan":"2.25.1","state":"settled","text":"no such series"}','','0.1.0','9a3324e00adfbda82ccd651ff0aa7e8884cb58318f2d7c57c823dcbd0295239f','c9c484bc3d03991b3ae67e0e5739545b2a2c18a2cc1bc3e574a965f9565e73fc');
INSERT INTO "log" VALUES(11,'2025-06-01 12:00:02.000000','JD','event added','event:S001-R/withdrawal','','{"happened_on":"2024-05-01","kind":"withdrawal","note":"moved away","repair":"S001-R"}','','0.1.0','c9c484bc3d03991b3ae67e0e5739545b2a2c18a2cc1bc3e574a965f9565e73fc','0a07415153153070420633c80627bef9764d2bc9f407038f8c98f545a7c011df');
INSERT INTO "log" VALUES(12,'2025-06-01 12:00:02.000000','JD','score added','score:S002-L/constant/m06','','{"assessed_on":"2024-07-10","name":"constant","parts":{"pain":12.0,"power":14.5},"repair":"S002-L","timepoint":"m06","total":71.5}','','0.1.0','0a07415153153070420633c80627bef9764d2bc9f407038f8c98f545a7c011df','03fe570dca6ddafbff9426377ef2ddef30f13350ffc535c1c52aeb9181bdac46');
INSERT INTO "log" VALUES(13,'2025-06-01 12:00:02.000000','JD','case added','case:K7Q2M9XD','','{"attempt":3,"batch":2,"code":"K7Q2M9XD","open_from":"2025-04-01","place":1,"reader":"A","round":"repeat","scan":"2.25.1"}','','0.1.0','03fe570dca6ddafbff9426377ef2ddef30f13350ffc535c1c52aeb9181bdac46','9e93c10a66a98979dd78def92925831668c5342476c83451b5f363cccbd65950');
INSERT INTO "log" VALUES(14,'2025-06-01 12:00:02.000000','JD','case added','case:M2P4R6T8','','{"attempt":1,"batch":1,"code":"M2P4R6T8","open_from":null,"place":1,"reader":"A","round":"training","scan":"2.25.2"}','','0.1.0','9e93c10a66a98979dd78def92925831668c5342476c83451b5f363cccbd65950','a6cc4a594ca50cf27c7b0411a46ec87d80bab77e699ecf10dca114ac5b40f958');
INSERT INTO "log" VALUES(15,'2025-06-01 12:00:02.000000','JD','training key added','training key:2.25.2','','{"answers":{"sugaya":"IV","tendon defect":"é"},"scan":"2.25.2","set_by":"JD"}','','0.1.0','a6cc4a594ca50cf27c7b0411a46ec87d80bab77e699ecf10dca114ac5b40f958','7982b80e893e8bbf44d8df82c976f2bc0b380479714d97136e3caf1fcee70b14');
INSERT INTO "log" VALUES(16,'2025-06-01 12:00:02.000000','JD','pass phrase added','pass phrase:A/1','','{"encoded":"$argon2id$v=19$m=8,t=1,p=1$c2FsdA$aGFzaA","key":"A/1","person":"A","set_at":"2025-03-01T08:00:00+00:00","set_by":"A"}','','0.1.0','7982b80e893e8bbf44d8df82c976f2bc0b380479714d97136e3caf1fcee70b14','9a1757c25e19d2462b009aea93ee53e33b3b890f51fcee2ad98aec7cdec83b51');
INSERT INTO "log" VALUES(17,'2025-06-01 12:00:02.000000','JD','pass phrase added','pass phrase:A/2','','{"encoded":"","key":"A/2","person":"A","set_at":"2025-03-01T08:00:00+00:00","set_by":"JD"}','','0.1.0','9a1757c25e19d2462b009aea93ee53e33b3b890f51fcee2ad98aec7cdec83b51','cf43a4ef7a6aae580de1d3e0615ac971a648eea5b0482c80a9e2b500328ee988');
INSERT INTO "log" VALUES(18,'2025-06-01 12:00:02.000000','JD','reading added','reading:r1','','{"active_seconds":null,"amends":"","answers":{"assessable":true,"gap_mm":11.25,"nested":{"a":{"é":"x \\u0000"},"b":[]},"pattern":null,"points":[[1.0,-2.5e-17,3.0],[4.0,5.0,6.0]],"sugaya":2},"began_at":"2025-03-01T08:30:00.123456+00:00","case_code":"","derived":{},"images":{},"key":"r1","mismatches":[],"proposals":null,"protocol_hash":"pppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppp","reader":"A","reason":"","round":"first","scan":"2.25.1","shown":[],"signed_at":"2025-03-01T08:00:00+00:00","software_version":"0.1.0","source":""}','','0.1.0','cf43a4ef7a6aae580de1d3e0615ac971a648eea5b0482c80a9e2b500328ee988','1ce66c323f709d9ac7014eb4a1815e5ad270f998bbfa117a48f162f0b74d511c');
INSERT INTO "log" VALUES(19,'2025-06-01 12:00:02.000000','JD','reading added','reading:r2','','{"active_seconds":null,"amends":"r1","answers":{"assessable":true,"gap_mm":11.25,"nested":{"a":{"é":"x \\u0000"},"b":[]},"pattern":null,"points":[[1.0,-2.5e-17,3.0],[4.0,5.0,6.0]],"sugaya":4},"began_at":"2025-03-01T08:30:00.123456+00:00","case_code":"","derived":{},"images":{},"key":"r2","mismatches":[],"proposals":null,"protocol_hash":"pppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppp","reader":"A","reason":"wrong slice","round":"first","scan":"2.25.1","shown":[],"signed_at":"2025-03-02T08:00:00+00:00","software_version":"0.1.0","source":""}','','0.1.0','1ce66c323f709d9ac7014eb4a1815e5ad270f998bbfa117a48f162f0b74d511c','ed65da1c0119e6d5b266df54781c8f36ec6d6f7b2bab60e59c0840237e983c2e');
INSERT INTO "log" VALUES(20,'2025-06-01 12:00:02.000000','JD','reading added','reading:K7Q2M9XD','','{"active_seconds":0.30000000000000004,"amends":"","answers":{"assessable":true,"gap_mm":11.25,"nested":{"a":{"é":"x \\u0000"},"b":[]},"pattern":null,"points":[[1.0,-2.5e-17,3.0],[4.0,5.0,6.0]],"sugaya":2},"began_at":"2025-03-01T08:30:00.123456+00:00","case_code":"K7Q2M9XD","derived":{"sugaya":{"possible":["IV"],"reason":"2 slices"}},"images":{"0.1.1":{"frame":1,"plane":null,"spacing":[0.3,0.3],"uid":"2.25.111"}},"key":"K7Q2M9XD","mismatches":["graded II, the slices imply IV"],"proposals":null,"protocol_hash":"pppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppp","reader":"A","reason":"","round":"repeat","scan":"2.25.1","shown":["timepoint","earlier scans"],"signed_at":"2025-03-01T08:00:00+00:00","software_version":"0.1.0","source":"grades.xlsx"}','','0.1.0','ed65da1c0119e6d5b266df54781c8f36ec6d6f7b2bab60e59c0840237e983c2e','9a8443db16e1dd732a69efe1e3124844a22f8a9088cb85cc111df6fb78d29149');
INSERT INTO "log" VALUES(21,'2025-06-01 12:00:02.000000','JD','reading added','reading:r3','','{"active_seconds":null,"amends":"","answers":{"assessable":true,"gap_mm":11.25,"nested":{"a":{"é":"x \\u0000"},"b":[]},"pattern":null,"points":[[1.0,-2.5e-17,3.0],[4.0,5.0,6.0]],"sugaya":2},"began_at":"2025-03-01T08:30:00.123456+00:00","case_code":"","derived":{},"images":{},"key":"r3","mismatches":[],"proposals":{"tear width":[{"before":{},"fate":"accepted","value":{"mm":0.30000000000000004}}]},"protocol_hash":"pppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppp","reader":"B","reason":"","round":"first","scan":"2.25.1","shown":[],"signed_at":"2025-03-01T08:00:00+00:00","software_version":"0.1.0","source":""}','','0.1.0','9a8443db16e1dd732a69efe1e3124844a22f8a9088cb85cc111df6fb78d29149','1bebf8687f35d0c9be3a82ca0b76635f007b6d592482ada980805a192243b912');
INSERT INTO "log" VALUES(22,'2025-06-01 12:00:02.000000','JD','verdict added','verdict:v1','','{"answers":{"retear":true},"decided_at":"2025-03-01T08:00:00+00:00","decided_by":"JD","key":"v1","readings":["r1","r2"],"rule":"agreed","scan":"2.25.1"}','','0.1.0','1bebf8687f35d0c9be3a82ca0b76635f007b6d592482ada980805a192243b912','6da72e1281cc0d98ed11e44b4121d64933a29b90addad7fec288f8a86f8b7f83');
INSERT INTO "log" VALUES(23,'2025-06-01 12:00:02.000000','JD','amendment added','amendment:a1','','{"amended_at":"2025-03-01T08:00:00+00:00","amended_by":"A","key":"a1","kind":"reading","reason":"wrong slice","record":"r1"}','','0.1.0','6da72e1281cc0d98ed11e44b4121d64933a29b90addad7fec288f8a86f8b7f83','b18578a5bca7178e5943160cf47a0f16af72623390e9cb69690dfd8beed1bdfc');
INSERT INTO "log" VALUES(24,'2025-06-01 12:00:03.000000','JD','repair amended','repair:S001-R','{"age_years":null,"arm":"","code":"S001-R","extra":{},"operated_on":"2024-01-10","sequence":1,"sex":null,"side":"right","site":"","subject":"S001","tear_size_mm":null,"technique":"","tendons":[]}','{"age_years":null,"arm":"","code":"S001-R","extra":{},"operated_on":"2024-01-10","sequence":1,"sex":null,"side":"right","site":"amended when kept","subject":"S001","tear_size_mm":null,"technique":"","tendons":[]}','to keep an amendment','0.1.0','b18578a5bca7178e5943160cf47a0f16af72623390e9cb69690dfd8beed1bdfc','b2dbe1ffa86b727f2f8643ed7e927ebeb1f38ebb6e2180fa4dcfe8c4acde8e0a');
CREATE TABLE pass_phrases (
	"key" TEXT NOT NULL, 
	entry INTEGER NOT NULL, 
	person TEXT NOT NULL, 
	encoded TEXT NOT NULL, 
	set_by TEXT NOT NULL, 
	set_at DATETIME NOT NULL, 
	CONSTRAINT pk_pass_phrases PRIMARY KEY ("key"), 
	CONSTRAINT ck_pass_phrases_person CHECK (person <> ''), 
	CONSTRAINT fk_pass_phrases_entry FOREIGN KEY(entry) REFERENCES log (number), 
	CONSTRAINT uq_pass_phrases_entry UNIQUE (entry), 
	CONSTRAINT ck_pass_phrases_key CHECK (key <> '')
);
INSERT INTO "pass_phrases" VALUES('A/1',16,'A','$argon2id$v=19$m=8,t=1,p=1$c2FsdA$aGFzaA','A','2025-03-01 08:00:00.000000');
INSERT INTO "pass_phrases" VALUES('A/2',17,'A','','JD','2025-03-01 08:00:00.000000');
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
CREATE TABLE "readings" (
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
	case_code TEXT, 
	shown TEXT DEFAULT '[]' NOT NULL, 
	images TEXT DEFAULT '{}' NOT NULL, 
	active_seconds DOUBLE, 
	derived TEXT DEFAULT '{}' NOT NULL, 
	mismatches TEXT DEFAULT '[]' NOT NULL, 
	source TEXT DEFAULT '' NOT NULL, proposals TEXT, 
	CONSTRAINT pk_readings PRIMARY KEY ("key"), 
	CONSTRAINT ck_readings_reason CHECK ((amends IS NULL) = (reason = '')), 
	CONSTRAINT fk_readings_scan FOREIGN KEY(scan) REFERENCES scans (uid), 
	CONSTRAINT ck_readings_reader CHECK (reader <> ''), 
	CONSTRAINT ck_readings_amends CHECK (amends <> key), 
	CONSTRAINT uq_readings_entry UNIQUE (entry), 
	CONSTRAINT fk_readings_amends FOREIGN KEY(amends) REFERENCES readings ("key"), 
	CONSTRAINT ck_readings_key CHECK (key <> ''), 
	CONSTRAINT fk_readings_entry FOREIGN KEY(entry) REFERENCES log (number), 
	CONSTRAINT ck_readings_round CHECK (round IN ('first', 'second', 'repeat', 'settling', 'training')), 
	CONSTRAINT fk_readings_case_code FOREIGN KEY(case_code) REFERENCES cases (code), 
	CONSTRAINT uq_readings_case_code UNIQUE (case_code), 
	CONSTRAINT ck_readings_active_seconds CHECK (active_seconds >= 0)
);
INSERT INTO "readings" VALUES('r1',18,'2.25.1','A','first','{"assessable":true,"gap_mm":11.25,"nested":{"a":{"é":"x \\u0000"},"b":[]},"pattern":null,"points":[[1.0,-2.5e-17,3.0],[4.0,5.0,6.0]],"sugaya":2}','pppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppp','0.1.0','2025-03-01 08:30:00.123456','2025-03-01 08:00:00.000000',NULL,'',NULL,'[]','{}',NULL,'{}','[]','',NULL);
INSERT INTO "readings" VALUES('r2',19,'2.25.1','A','first','{"assessable":true,"gap_mm":11.25,"nested":{"a":{"é":"x \\u0000"},"b":[]},"pattern":null,"points":[[1.0,-2.5e-17,3.0],[4.0,5.0,6.0]],"sugaya":4}','pppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppp','0.1.0','2025-03-01 08:30:00.123456','2025-03-02 08:00:00.000000','r1','wrong slice',NULL,'[]','{}',NULL,'{}','[]','',NULL);
INSERT INTO "readings" VALUES('K7Q2M9XD',20,'2.25.1','A','repeat','{"assessable":true,"gap_mm":11.25,"nested":{"a":{"é":"x \\u0000"},"b":[]},"pattern":null,"points":[[1.0,-2.5e-17,3.0],[4.0,5.0,6.0]],"sugaya":2}','pppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppp','0.1.0','2025-03-01 08:30:00.123456','2025-03-01 08:00:00.000000',NULL,'','K7Q2M9XD','["timepoint","earlier scans"]','{"0.1.1":{"frame":1,"plane":null,"spacing":[0.3,0.3],"uid":"2.25.111"}}',3.00000000000000044408e-01,'{"sugaya":{"possible":["IV"],"reason":"2 slices"}}','["graded II, the slices imply IV"]','grades.xlsx',NULL);
INSERT INTO "readings" VALUES('r3',21,'2.25.1','B','first','{"assessable":true,"gap_mm":11.25,"nested":{"a":{"é":"x \\u0000"},"b":[]},"pattern":null,"points":[[1.0,-2.5e-17,3.0],[4.0,5.0,6.0]],"sugaya":2}','pppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppppp','0.1.0','2025-03-01 08:30:00.123456','2025-03-01 08:00:00.000000',NULL,'',NULL,'[]','{}',NULL,'{}','[]','','{"tear width":[{"before":{},"fate":"accepted","value":{"mm":0.30000000000000004}}]}');
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
CREATE TABLE training_keys (
	scan TEXT NOT NULL, 
	entry INTEGER NOT NULL, 
	answers TEXT NOT NULL, 
	set_by TEXT NOT NULL, 
	CONSTRAINT pk_training_keys PRIMARY KEY (scan), 
	CONSTRAINT fk_training_keys_scan FOREIGN KEY(scan) REFERENCES scans (uid), 
	CONSTRAINT fk_training_keys_entry FOREIGN KEY(entry) REFERENCES log (number), 
	CONSTRAINT uq_training_keys_entry UNIQUE (entry), 
	CONSTRAINT ck_training_keys_scan CHECK (scan <> '')
);
INSERT INTO "training_keys" VALUES('2.25.2',15,'{"sugaya":"IV","tendon defect":"é"}','JD');
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
INSERT INTO "verdicts" VALUES('v1',22,'2.25.1','agreed','{"retear":true}','["r1","r2"]','JD','2025-03-01 08:00:00.000000');
CREATE TRIGGER log_no_update BEFORE UPDATE ON log BEGIN SELECT RAISE(ABORT, 'log is never changed: UPDATE refused'); END;
CREATE TRIGGER log_no_delete BEFORE DELETE ON log BEGIN SELECT RAISE(ABORT, 'log is never changed: DELETE refused'); END;
CREATE TRIGGER log_no_replace BEFORE INSERT ON log WHEN EXISTS (SELECT 1 FROM log WHERE number = NEW.number OR previous = NEW.previous) BEGIN SELECT RAISE(ABORT, 'log is never changed: REPLACE refused'); END;
CREATE TRIGGER cases_no_update BEFORE UPDATE ON cases BEGIN SELECT RAISE(ABORT, 'cases is never changed: UPDATE refused'); END;
CREATE TRIGGER cases_no_delete BEFORE DELETE ON cases BEGIN SELECT RAISE(ABORT, 'cases is never changed: DELETE refused'); END;
CREATE TRIGGER cases_no_replace BEFORE INSERT ON cases WHEN EXISTS (SELECT 1 FROM cases WHERE code = NEW.code OR entry = NEW.entry OR reader = NEW.reader AND batch = NEW.batch AND place = NEW.place OR reader = NEW.reader AND scan = NEW.scan AND round = NEW.round AND attempt = NEW.attempt) BEGIN SELECT RAISE(ABORT, 'cases is never changed: REPLACE refused'); END;
CREATE TRIGGER pass_phrases_no_update BEFORE UPDATE ON pass_phrases BEGIN SELECT RAISE(ABORT, 'pass_phrases is never changed: UPDATE refused'); END;
CREATE TRIGGER pass_phrases_no_delete BEFORE DELETE ON pass_phrases BEGIN SELECT RAISE(ABORT, 'pass_phrases is never changed: DELETE refused'); END;
CREATE TRIGGER pass_phrases_no_replace BEFORE INSERT ON pass_phrases WHEN EXISTS (SELECT 1 FROM pass_phrases WHERE key = NEW.key OR entry = NEW.entry) BEGIN SELECT RAISE(ABORT, 'pass_phrases is never changed: REPLACE refused'); END;
CREATE TRIGGER readings_no_update BEFORE UPDATE ON readings BEGIN SELECT RAISE(ABORT, 'readings is never changed: UPDATE refused'); END;
CREATE TRIGGER readings_no_delete BEFORE DELETE ON readings BEGIN SELECT RAISE(ABORT, 'readings is never changed: DELETE refused'); END;
CREATE TRIGGER readings_no_replace BEFORE INSERT ON readings WHEN EXISTS (SELECT 1 FROM readings WHERE key = NEW.key OR entry = NEW.entry OR case_code = NEW.case_code) BEGIN SELECT RAISE(ABORT, 'readings is never changed: REPLACE refused'); END;
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
CREATE TRIGGER training_keys_no_delete BEFORE DELETE ON training_keys BEGIN SELECT RAISE(ABORT, 'training_keys is never changed: DELETE refused'); END;
CREATE TRIGGER head_no_delete BEFORE DELETE ON head BEGIN SELECT RAISE(ABORT, 'head is never changed: DELETE refused'); END;
COMMIT;
