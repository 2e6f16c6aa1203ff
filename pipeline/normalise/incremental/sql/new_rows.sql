-- Stations with new rows, and the span (a, b) those reach over, in the receiver's time; implausible: their clock was not set, and its frames' own times
-- lie between own_from and own_to.
-- fresh: a condition on file_id.
CREATE OR REPLACE TEMP TABLE _new AS
WITH frames AS (
  -- receiver's and station's time of every new row of a frame
  SELECT station_id, receiver_at_utc AS r, station_at_utc AS s FROM raw_frame WHERE {fresh}
  UNION ALL SELECT station_id, receiver_at_utc, station_at_utc FROM raw_sample WHERE {fresh}
  UNION ALL SELECT station_id, receiver_at_utc, station_at_utc FROM raw_event WHERE {fresh}
), judged AS (
  -- a station's time that no queue explains: hours ahead, or months behind
  SELECT *, s IS NOT NULL AND (s > r + INTERVAL 12 HOUR OR s < r - INTERVAL 60 DAY) AS implausible FROM frames
), spans AS (
  -- a span a source: frames by both clocks, pilot rows a file, exports, what was touched or changed
  SELECT station_id, min(if(implausible, r, least(r, s))) AS a, max(if(implausible, r, greatest(r, s))) AS b, bool_or(implausible) AS implausible,
    min(s) FILTER (implausible) AS own_from, max(s) FILTER (implausible) AS own_to
  FROM judged GROUP BY 1
  UNION ALL
  SELECT station_id, coalesce(min(station_at_utc) FILTER (station_at_utc >= $clocks_from), $all_from),
    coalesce(max(station_at_utc) FILTER (station_at_utc >= $clocks_from), $all_to), bool_or(station_at_utc < $clocks_from), NULL, NULL
  FROM raw_pilot WHERE {fresh} GROUP BY station_id, file_id
  UNION ALL
  SELECT e.station_id, min(plugged_at_utc), max(coalesce(unplugged_at_utc, plugged_at_utc)), false, NULL, NULL
  FROM raw_session s JOIN core_evse e USING (evse_id) WHERE plugged_at_utc IS NOT NULL AND {fresh} GROUP BY 1
  UNION ALL
  SELECT station_id, from_utc, to_utc, false, NULL, NULL FROM _touched
  UNION ALL
  SELECT station_id, from_utc, to_utc, false, NULL, NULL FROM raw_changed
)
SELECT station_id, coalesce(min(a), $all_from) AS a, coalesce(max(b), $all_to) AS b, bool_or(implausible) AS implausible,
  min(own_from) AS own_from, max(own_to) AS own_to
FROM spans GROUP BY 1
