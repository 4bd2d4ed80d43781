BEGIN TRANSACTION;
CREATE TABLE attachment (id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, photograph TEXT NOT NULL REFERENCES photograph, reading INTEGER REFERENCES reading, print INTEGER REFERENCES print, coupon TEXT REFERENCES coupon, note TEXT NOT NULL, recorded_at TEXT NOT NULL, CHECK ((reading IS NOT NULL) + (print IS NOT NULL) + (coupon IS NOT NULL) = 1)) STRICT;
INSERT INTO "attachment" VALUES(1,'f338e93dcf4a4505b32f98179e24f8d7','3cee94fb837150e272729354d4f78e3c8cdabda76ef0a0becc13f745d4674a60',1,NULL,NULL,'in the evening','2026-11-25T13:53:49.818Z');
INSERT INTO "attachment" VALUES(2,'d4af04f4d60b414ba8453e5670e4854d','3cee94fb837150e272729354d4f78e3c8cdabda76ef0a0becc13f745d4674a60',NULL,NULL,'G7K','','2026-11-25T13:53:49.843Z');
INSERT INTO "attachment" VALUES(3,'eb711c27af1643e985c09c8ab5274ff2','3cee94fb837150e272729354d4f78e3c8cdabda76ef0a0becc13f745d4674a60',NULL,1,NULL,'','2026-11-25T13:53:49.855Z');
CREATE TABLE coupon (code TEXT PRIMARY KEY, kind TEXT NOT NULL, digest TEXT NOT NULL, document TEXT NOT NULL, recorded_at TEXT NOT NULL) STRICT;
INSERT INTO "coupon" VALUES('G7K','gap-interface','f4dd01e6b29711675066fa968fa8f212487f36e8b682cf5ce72948563d42c0ca','{
 "schema": "falsework.coupon/1",
 "kind": "gap-interface",
 "code": "G7K",
 "seed": 1,
 "process": {
  "name": "bench",
  "nozzle_mm": 0.4,
  "layer_height_mm": 0.2,
  "first_layer_height_mm": 0.2,
  "line_width_mm": 0.45,
  "fan": 1.0,
  "reach_share": 0.0,
  "room_temperature_c": 25.0,
  "wall_lines": 2,
  "solid_layers": 4,
  "fill": 0.15,
  "wall_speed_mm_s": 45.0,
  "fill_speed_mm_s": 60.0,
  "bridge_speed_mm_s": 30.0,
  "support_speed_mm_s": 60.0,
  "first_layer_speed_mm_s": 20.0,
  "printer": {
   "name": "harbour mole",
   "build_width_mm": 220.0,
   "build_depth_mm": 220.0,
   "build_height_mm": 250.0,
   "filament_diameter_mm": 1.75,
   "acceleration_mm_s2": 1000.0,
   "corner_speed_mm_s": 8.0,
   "travel_speed_mm_s": 120.0,
   "price_per_hour": 0.5
  },
  "material": {
   "name": "PLA",
   "density_g_cm3": 1.24,
   "price_per_kg": 22.0,
   "nozzle_temperature_c": 210.0,
   "bed_temperature_c": 60.0,
   "glass_temperature_c": 60.0,
   "heat_capacity_j_kg_k": 1800.0,
   "conductivity_w_m_k": 0.13,
   "youngs_modulus_gpa": 3.3,
   "wlf_d1_pa_s": 3317000000.0,
   "wlf_d2_c": 100.0,
   "wlf_a1": 20.19,
   "wlf_a2_k": 51.6,
   "taut_strain": 0.01,
   "usual_fan": 1.0,
   "weld_strength_mpa": 30.0
  },
  "structure": {
   "pattern": "lines",
   "spacing_mm": 2.0,
   "line_angle_deg": 0.0,
   "perimeter_lines": 0,
   "interface_layers": 2,
   "interface_layers_below": 1,
   "air_gap_layers": 2.0,
   "air_gap_mm": 0.0,
   "air_gap_below_layers": 1.0,
   "side_gap_mm": 0.4,
   "foot_widening_mm": 1.0,
   "foot_layers": 2,
   "wall_slenderness": 40.0
  }
 },
 "cells": [
  {
   "label": "a1",
   "condition": {
    "kind": "support",
    "nozzle_mm": 0.4,
    "layer_height_mm": 0.2,
    "line_width_mm": 0.45,
    "nozzle_temperature_c": 210.0,
    "fan": 1.0,
    "speed_mm_s": 30.0,
    "room_temperature_c": 25.0,
    "angle_deg": null,
    "span_mm": 20.0,
    "air_gap_mm": 0.2,
    "interface_layers": 2,
    "spacing_mm": 2.0,
    "pattern": "lines",
    "crossing_deg": 90.0,
    "perimeter_lines": 0
   },
   "shape": "roof",
   "batch": 0,
   "middle_mm": [
    0.0,
    5.0
   ],
   "size_mm": [
    8.0,
    30.0
   ],
   "look": "the roof from below",
   "calipers": "across the roof",
   "nominal_mm": 2.0,
   "method": ""
  },
  {
   "label": "a2",
   "condition": {
    "kind": "support",
    "nozzle_mm": 0.4,
    "layer_height_mm": 0.2,
    "line_width_mm": 0.45,
    "nozzle_temperature_c": 210.0,
    "fan": 1.0,
    "speed_mm_s": 30.0,
    "room_temperature_c": 25.0,
    "angle_deg": null,
    "span_mm": 20.0,
    "air_gap_mm": 0.4,
    "interface_layers": 2,
    "spacing_mm": 2.0,
    "pattern": "lines",
    "crossing_deg": 90.0,
    "perimeter_lines": 0
   },
   "shape": "roof",
   "batch": 0,
   "middle_mm": [
    10.0,
    5.0
   ],
   "size_mm": [
    8.0,
    30.0
   ],
   "look": "the roof from below",
   "calipers": "across the roof",
   "nominal_mm": 2.0,
   "method": ""
  },
  {
   "label": "b1",
   "condition": {
    "kind": "support",
    "nozzle_mm": 0.4,
    "layer_height_mm": 0.2,
    "line_width_mm": 0.45,
    "nozzle_temperature_c": 210.0,
    "fan": 1.0,
    "speed_mm_s": 30.0,
    "room_temperature_c": 25.0,
    "angle_deg": null,
    "span_mm": 20.0,
    "air_gap_mm": 0.3,
    "interface_layers": 2,
    "spacing_mm": 2.0,
    "pattern": "lines",
    "crossing_deg": 90.0,
    "perimeter_lines": 0
   },
   "shape": "roof",
   "batch": 0,
   "middle_mm": [
    20.0,
    5.0
   ],
   "size_mm": [
    8.0,
    30.0
   ],
   "look": "the roof from below",
   "calipers": "across the roof",
   "nominal_mm": null,
   "method": "one layer of 0.1 mm under the gap"
  }
 ],
 "batches": [
  {
   "name": "",
   "code": "G7K",
   "fan": 1.0,
   "size_mm": [
    60.0,
    40.0,
    8.0
   ],
   "minutes": 24.0,
   "grams": 9.0
  }
 ],
 "minutes": 24.0,
 "grams": 9.0,
 "most_minutes": 30.0,
 "most_grams": 15.0,
 "left_out": [],
 "notes": []
}
','2026-11-25T13:53:49.525Z');
CREATE TABLE detachment (attachment INTEGER PRIMARY KEY REFERENCES attachment, reason TEXT NOT NULL CHECK (reason <> ''), recorded_at TEXT NOT NULL) STRICT;
INSERT INTO "detachment" VALUES(2,'shows the cowl','2026-11-25T13:53:49.875Z');
CREATE TABLE fit (id INTEGER PRIMARY KEY, digest TEXT NOT NULL, document TEXT NOT NULL, saved_at TEXT NOT NULL) STRICT;
INSERT INTO "fit" VALUES(1,'d0731ef612dc1ac6-9','{}','2026-11-25T13:53:49.892Z');
CREATE TABLE material (name TEXT PRIMARY KEY) STRICT;
INSERT INTO "material" VALUES('PLA');
CREATE TABLE material_settings (name TEXT NOT NULL REFERENCES material, number INTEGER NOT NULL, settings TEXT NOT NULL, reason TEXT NOT NULL, recorded_at TEXT NOT NULL, PRIMARY KEY (name, number)) STRICT;
INSERT INTO "material_settings" VALUES('PLA',1,'{"bed_temperature_c": 60.0, "conductivity_w_m_k": 0.13, "density_g_cm3": 1.24, "glass_temperature_c": 60.0, "heat_capacity_j_kg_k": 1800.0, "name": "PLA", "nozzle_temperature_c": 210.0, "price_per_kg": 22.0, "taut_strain": 0.01, "usual_fan": 1.0, "weld_strength_mpa": 30.0, "wlf_a1": 20.19, "wlf_a2_k": 51.6, "wlf_d1_pa_s": 3317000000.0, "wlf_d2_c": 100.0, "youngs_modulus_gpa": 3.3}','','2026-11-25T13:53:49.387Z');
INSERT INTO "material_settings" VALUES('PLA',2,'{"bed_temperature_c": 60.0, "conductivity_w_m_k": 0.13, "density_g_cm3": 1.24, "glass_temperature_c": 60.0, "heat_capacity_j_kg_k": 1800.0, "name": "PLA", "nozzle_temperature_c": 210.0, "price_per_kg": 31.5, "taut_strain": 0.01, "usual_fan": 1.0, "weld_strength_mpa": 30.0, "wlf_a1": 20.19, "wlf_a2_k": 51.6, "wlf_d1_pa_s": 3317000000.0, "wlf_d2_c": 100.0, "youngs_modulus_gpa": 3.3}','new supplier','2026-11-25T13:53:49.411Z');
CREATE TABLE photograph (digest TEXT PRIMARY KEY, name TEXT NOT NULL, media TEXT NOT NULL, size INTEGER NOT NULL, recorded_at TEXT NOT NULL) STRICT;
INSERT INTO "photograph" VALUES('3cee94fb837150e272729354d4f78e3c8cdabda76ef0a0becc13f745d4674a60','cowl from below.jpg','image/jpeg',2052,'2026-11-25T13:53:49.800Z');
CREATE TABLE plan (digest TEXT PRIMARY KEY, part TEXT NOT NULL, process TEXT NOT NULL REFERENCES process, summary TEXT NOT NULL, recorded_at TEXT NOT NULL) STRICT;
INSERT INTO "plan" VALUES('abababababababababababababababababababababababababababababababab','ventilator cowl','5f55be6e0209c02fc6bbd68791663b1b657d3d9c310756dbb358d5a1f8070601','{"size_mm": [40.0, 40.0, 61.5], "undersides": 3}','2026-11-25T13:53:49.487Z');
CREATE TABLE print (id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, plan TEXT REFERENCES plan, coupon TEXT REFERENCES coupon, printer TEXT NOT NULL REFERENCES printer, material TEXT NOT NULL REFERENCES material, spool INTEGER REFERENCES spool, printed_on TEXT NOT NULL, note TEXT NOT NULL, invented INTEGER NOT NULL, recorded_at TEXT NOT NULL) STRICT;
INSERT INTO "print" VALUES(1,'b10584d6ae054e308cab3e6313a69b42','abababababababababababababababababababababababababababababababab',NULL,'harbour mole','PLA',1,'2024-05-17','',0,'2026-11-25T13:53:49.587Z');
INSERT INTO "print" VALUES(2,'cda89a5abf2645eda9a54a82f5d18d0a',NULL,'G7K','harbour mole','PLA',NULL,'2024-05-17','second try',0,'2026-11-25T13:53:49.611Z');
CREATE TABLE printer (name TEXT PRIMARY KEY) STRICT;
INSERT INTO "printer" VALUES('harbour mole');
INSERT INTO "printer" VALUES('lighthouse');
CREATE TABLE printer_settings (name TEXT NOT NULL REFERENCES printer, number INTEGER NOT NULL, settings TEXT NOT NULL, reason TEXT NOT NULL, recorded_at TEXT NOT NULL, PRIMARY KEY (name, number)) STRICT;
INSERT INTO "printer_settings" VALUES('harbour mole',1,'{"acceleration_mm_s2": 1000.0, "build_depth_mm": 220.0, "build_height_mm": 250.0, "build_width_mm": 220.0, "corner_speed_mm_s": 8.0, "filament_diameter_mm": 1.75, "name": "harbour mole", "price_per_hour": 0.5, "travel_speed_mm_s": 120.0}','','2026-11-25T13:53:49.359Z');
INSERT INTO "printer_settings" VALUES('lighthouse',1,'{"acceleration_mm_s2": 1000.0, "build_depth_mm": 220.0, "build_height_mm": 250.0, "build_width_mm": 180.0, "corner_speed_mm_s": 8.0, "filament_diameter_mm": 1.75, "name": "lighthouse", "price_per_hour": 0.5, "travel_speed_mm_s": 120.0}','','2026-11-25T13:53:49.448Z');
CREATE TABLE process (digest TEXT PRIMARY KEY, name TEXT NOT NULL, settings TEXT NOT NULL, recorded_at TEXT NOT NULL) STRICT;
INSERT INTO "process" VALUES('5f55be6e0209c02fc6bbd68791663b1b657d3d9c310756dbb358d5a1f8070601','bench','{"bridge_speed_mm_s": 30.0, "fan": 1.0, "fill": 0.15, "fill_speed_mm_s": 60.0, "first_layer_height_mm": 0.2, "first_layer_speed_mm_s": 20.0, "layer_height_mm": 0.2, "line_width_mm": 0.45, "material": {"bed_temperature_c": 60.0, "conductivity_w_m_k": 0.13, "density_g_cm3": 1.24, "glass_temperature_c": 60.0, "heat_capacity_j_kg_k": 1800.0, "name": "PLA", "nozzle_temperature_c": 210.0, "price_per_kg": 22.0, "taut_strain": 0.01, "usual_fan": 1.0, "weld_strength_mpa": 30.0, "wlf_a1": 20.19, "wlf_a2_k": 51.6, "wlf_d1_pa_s": 3317000000.0, "wlf_d2_c": 100.0, "youngs_modulus_gpa": 3.3}, "name": "bench", "nozzle_mm": 0.4, "printer": {"acceleration_mm_s2": 1000.0, "build_depth_mm": 220.0, "build_height_mm": 250.0, "build_width_mm": 220.0, "corner_speed_mm_s": 8.0, "filament_diameter_mm": 1.75, "name": "harbour mole", "price_per_hour": 0.5, "travel_speed_mm_s": 120.0}, "reach_share": 0.0, "room_temperature_c": 25.0, "solid_layers": 4, "structure": {"air_gap_below_layers": 1.0, "air_gap_layers": 2.0, "air_gap_mm": 0.0, "foot_layers": 2, "foot_widening_mm": 1.0, "interface_layers": 2, "interface_layers_below": 1, "line_angle_deg": 0.0, "pattern": "lines", "perimeter_lines": 0, "side_gap_mm": 0.4, "spacing_mm": 2.0, "wall_slenderness": 40.0}, "support_speed_mm_s": 60.0, "wall_lines": 2, "wall_speed_mm_s": 45.0}','2026-11-25T13:53:49.487Z');
CREATE TABLE reading (id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, source TEXT NOT NULL, coupon TEXT REFERENCES coupon, cell TEXT, print INTEGER REFERENCES print, air_beneath_mm REAL) STRICT;
INSERT INTO "reading" VALUES(1,'eba8c6f8834a4786a8dbd0f576ae3675','print',NULL,'underside 3',1,12.0);
INSERT INTO "reading" VALUES(2,'666341afc6164c3f94ccc6ead43bc635','coupon','G7K','a1',2,NULL);
INSERT INTO "reading" VALUES(3,'709a91e5e2354f2786bd6bd0c0b3ec93','coupon','G7K','a2',2,NULL);
INSERT INTO "reading" VALUES(4,'2286a2c657d745948b0e9efe738176fa','other',NULL,NULL,NULL,NULL);
INSERT INTO "reading" VALUES(5,'01542a85632e460cbb2e76bef4bd1805','other',NULL,NULL,NULL,NULL);
CREATE TABLE spool (id INTEGER PRIMARY KEY, material TEXT NOT NULL REFERENCES material, label TEXT NOT NULL, note TEXT NOT NULL, opened_on TEXT, recorded_at TEXT NOT NULL, UNIQUE (material, label)) STRICT;
INSERT INTO "spool" VALUES(1,'PLA','grey 7','a little damp','2024-05-17','2026-11-25T13:53:49.555Z');
CREATE TABLE tally (one INTEGER PRIMARY KEY CHECK (one = 1), ledger TEXT NOT NULL, revision INTEGER NOT NULL) STRICT;
INSERT INTO "tally" VALUES(1,'d0731ef612dc1ac6',9);
CREATE TABLE version (reading INTEGER NOT NULL REFERENCES reading, number INTEGER NOT NULL, act TEXT NOT NULL CHECK (act IN ('recorded', 'corrected', 'withdrawn', 'restored')), reason TEXT NOT NULL, recorded_at TEXT NOT NULL, measured_on TEXT NOT NULL, gap_method TEXT NOT NULL, note TEXT NOT NULL, flags TEXT NOT NULL, printer TEXT NOT NULL REFERENCES printer, material TEXT NOT NULL REFERENCES material, kind TEXT NOT NULL, nozzle_mm REAL NOT NULL, layer_height_mm REAL NOT NULL, line_width_mm REAL NOT NULL, nozzle_temperature_c REAL NOT NULL, fan REAL NOT NULL, speed_mm_s REAL NOT NULL, room_temperature_c REAL NOT NULL, angle_deg REAL, span_mm REAL, air_gap_mm REAL, interface_layers INTEGER, spacing_mm REAL, pattern TEXT, crossing_deg REAL, perimeter_lines INTEGER, let_go TEXT, finish INTEGER, droop_mm REAL, clean_up_min REAL, invented INTEGER NOT NULL, PRIMARY KEY (reading, number), CHECK ((number = 1) = (act = 'recorded')), CHECK (number = 1 OR reason <> '')) STRICT, WITHOUT ROWID;
INSERT INTO "version" VALUES(1,1,'recorded','','2026-11-25T13:53:49.634Z','2024-05-17','','','[]','harbour mole','PLA','support',0.4,0.2,0.45,210.0,1.0,30.0,25.0,NULL,20.0,0.4,2,2.0,'lines',90.0,0,'hand',4,0.1,1.5,0);
INSERT INTO "version" VALUES(1,2,'corrected','held against the wrong picture','2026-11-25T13:53:49.759Z','2024-05-17','','','[]','harbour mole','PLA','support',0.4,0.2,0.45,210.0,1.0,30.0,25.0,NULL,20.0,0.4,2,2.0,'lines',90.0,0,'hand',3,0.1,1.5,0);
INSERT INTO "version" VALUES(2,1,'recorded','','2026-11-25T13:53:49.665Z','2024-05-17','','=at dusk, ''no'' light','[]','harbour mole','PLA','support',0.4,0.2,0.45,210.0,1.0,30.0,25.0,NULL,20.0,0.2,2,2.0,'lines',90.0,0,'fused',NULL,NULL,NULL,0);
INSERT INTO "version" VALUES(3,1,'recorded','','2026-11-25T13:53:49.692Z','2024-05-17','','=at dusk, ''no'' light','[]','harbour mole','PLA','support',0.4,0.2,0.45,210.0,1.0,30.0,25.0,NULL,20.0,0.4,2,2.0,'lines',90.0,0,'tool',NULL,0.25,NULL,0);
INSERT INTO "version" VALUES(4,1,'recorded','','2026-11-25T13:53:49.719Z','2024-05-17','','','[]','harbour mole','PLA','bridge',0.4,0.2,0.45,210.0,1.0,30.0,25.0,NULL,25.0,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,3.00000000000000044408e-01,NULL,1);
INSERT INTO "version" VALUES(5,1,'recorded','','2026-11-25T13:53:49.739Z','2024-05-17','','','[]','harbour mole','PLA','overhang',0.4,0.2,0.45,210.0,1.0,45.0,25.0,50.0,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,2,NULL,NULL,0);
INSERT INTO "version" VALUES(5,2,'withdrawn','another printer''s piece','2026-11-25T13:53:49.779Z','2024-05-17','','','[]','harbour mole','PLA','overhang',0.4,0.2,0.45,210.0,1.0,45.0,25.0,50.0,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,2,NULL,NULL,0);
CREATE INDEX reading_by_cell ON reading (coupon, cell);
CREATE INDEX reading_by_print ON reading (print, cell);
CREATE INDEX version_by_values ON version (measured_on, printer, material, kind, angle_deg, span_mm, air_gap_mm, droop_mm, finish, let_go);
CREATE TRIGGER printer_keeps_update BEFORE UPDATE ON printer BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER printer_keeps_delete BEFORE DELETE ON printer BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER printer_settings_keeps_update BEFORE UPDATE ON printer_settings BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER printer_settings_keeps_delete BEFORE DELETE ON printer_settings BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER material_keeps_update BEFORE UPDATE ON material BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER material_keeps_delete BEFORE DELETE ON material BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER material_settings_keeps_update BEFORE UPDATE ON material_settings BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER material_settings_keeps_delete BEFORE DELETE ON material_settings BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER spool_keeps_update BEFORE UPDATE ON spool BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER spool_keeps_delete BEFORE DELETE ON spool BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER process_keeps_update BEFORE UPDATE ON process BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER process_keeps_delete BEFORE DELETE ON process BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER coupon_keeps_update BEFORE UPDATE ON coupon BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER coupon_keeps_delete BEFORE DELETE ON coupon BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER plan_keeps_update BEFORE UPDATE ON plan BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER plan_keeps_delete BEFORE DELETE ON plan BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER print_keeps_update BEFORE UPDATE ON print BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER print_keeps_delete BEFORE DELETE ON print BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER reading_keeps_update BEFORE UPDATE ON reading BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER reading_keeps_delete BEFORE DELETE ON reading BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER version_keeps_update BEFORE UPDATE ON version BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER version_keeps_delete BEFORE DELETE ON version BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER photograph_keeps_update BEFORE UPDATE ON photograph BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER photograph_keeps_delete BEFORE DELETE ON photograph BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER attachment_keeps_update BEFORE UPDATE ON attachment BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER attachment_keeps_delete BEFORE DELETE ON attachment BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER detachment_keeps_update BEFORE UPDATE ON detachment BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER detachment_keeps_delete BEFORE DELETE ON detachment BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END;
CREATE TRIGGER version_counts AFTER INSERT ON version BEGIN UPDATE tally SET revision = revision + 1; END;
CREATE TRIGGER material_settings_counts AFTER INSERT ON material_settings BEGIN UPDATE tally SET revision = revision + 1; END;
COMMIT;
