-- Spans of vehicles' own plug-ins with reports in fresh files. fresh: a condition on file_id.
WITH fresh AS (SELECT * FROM raw_charging WHERE {fresh}),
plugs AS (SELECT vehicle_id, at_utc FROM raw_charging SEMI JOIN fresh USING (vehicle_id) WHERE event = 'plugged'
  AND at_utc >= (SELECT min(at_utc) FROM fresh) - $silence)
SELECT coalesce(max(p.at_utc), f.at_utc) - $slack AS from_utc,
  f.at_utc + $slack AS to_utc
FROM fresh f LEFT JOIN plugs p ON p.vehicle_id = f.vehicle_id AND p.at_utc <= f.at_utc
  AND p.at_utc > f.at_utc - $silence
GROUP BY f.vehicle_id, f.at_utc, f.file_id, f.line
