-- The span of all plug-ins and all vehicles' reports.
CREATE OR REPLACE TEMP TABLE _spans AS SELECT min(a) AS a, max(b) AS b FROM (
  SELECT min(plugged_at_utc) AS a, max(plugged_at_utc) AS b FROM core_plug_in
  UNION ALL SELECT min(at_utc), max(at_utc) FROM raw_charging)
