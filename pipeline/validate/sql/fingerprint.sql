-- A station's fingerprint: of all its rows before `bounds.to_utc` that a record of a settling view may rest on, of its EVSEs, and of what is
-- the same for all: vehicles, the beginning of the data, and `declared`. Sums of DuckDB's row hashes, so the order of rows does not matter.
CREATE OR REPLACE TEMP TABLE {name} AS
WITH parts AS (
  SELECT station_id, 'signal' AS part, count(*) AS n, sum(hash(t)) AS h FROM core_signal t JOIN bounds b USING (station_id) WHERE t.at_utc < b.to_utc GROUP BY 1
  UNION ALL
  SELECT station_id, 'pilot', count(*), sum(hash(t)) FROM core_pilot t JOIN bounds b USING (station_id) WHERE t.at_utc < b.to_utc GROUP BY 1
  UNION ALL
  SELECT station_id, 'sample', count(*), sum(hash(t)) FROM raw_sample t JOIN bounds b USING (station_id) WHERE t.receiver_at_utc < b.to_utc GROUP BY 1
  UNION ALL
  -- of a frame only what the views ask for
  SELECT station_id, 'frame', count(*), sum(hash(receiver_at_utc, direction, station_at_utc, meter_wh, connector_id, transaction_id, file_id, line, unzoned, zone))
  FROM raw_frame t JOIN bounds b USING (station_id) WHERE t.receiver_at_utc < b.to_utc GROUP BY 1
  UNION ALL
  SELECT station_id, 'attempt', count(*), sum(hash(plugged_at_utc, transaction_id, vehicle_id))
  FROM core_attempt t JOIN bounds b USING (station_id) WHERE t.plugged_at_utc < b.to_utc GROUP BY 1
  UNION ALL
  SELECT station_id, 'firmware', count(*), sum(hash(valid_from_utc, firmware)) FROM core_firmware t JOIN bounds b USING (station_id)
  WHERE t.valid_from_utc < b.to_utc GROUP BY 1
  UNION ALL
  SELECT station_id, 'evse', count(*), sum(hash(t)) FROM core_evse t JOIN bounds USING (station_id) GROUP BY 1
)
SELECT station_id, concat_ws(' ', string_agg(concat_ws(' ', part, n, parts.h), ' ' ORDER BY part), any_value(v.h), any_value(s.first_utc), $declared) AS fingerprint
FROM parts, (SELECT sum(hash(vehicle_id, ac_phases)) AS h FROM core_vehicle) v, data_span s GROUP BY station_id
