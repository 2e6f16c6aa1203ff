-- Up to when each station's past is settled from now on (settled_until_utc), and from when it must be seen so that what comes after is judged as if
-- all were seen (seen_from_utc; its frames heard_from_utc). from_utc: what came before is settled already. Asks the settling views, which are
-- exact from from_utc on. proven_until_utc: rows up to there are held against their fingerprint next time. Where a transaction reaches back
-- for more than a week nothing is settled; where what must be seen does, all is seen (seen_from_utc null).
CREATE OR REPLACE TEMP TABLE frontier AS
WITH proven AS (
  SELECT last_frame_utc - INTERVAL '{days} days' AS until_utc FROM data_span
), stations AS (
  SELECT DISTINCT station_id FROM core_signal UNION SELECT DISTINCT station_id FROM core_pilot
  UNION SELECT DISTINCT station_id FROM raw_sample UNION SELECT DISTINCT station_id FROM raw_frame
), open_hold AS (
  -- the pilot's stretch that lasts at the end of what is proven: when it ends is not settled
  SELECT station_id, min(at_utc) AS at_utc FROM (
    SELECT station_id, connector_id, max(at_utc) AS at_utc FROM pilot_hold, proven WHERE at_utc < until_utc GROUP BY ALL) GROUP BY 1
), wished AS (
  -- spans are looked for from bound_utc on
  SELECT station_id, least(until_utc, h.at_utc) AS at_utc, least(until_utc, h.at_utc) - INTERVAL 7 DAY AS bound_utc
  FROM stations CROSS JOIN proven LEFT JOIN open_hold h USING (station_id)
), received AS (
  -- when messages with samples or a register were received; names as hashes: two that met by chance would only widen a span
  SELECT station_id, hash(file_id, line) AS message, receiver_at_utc FROM raw_sample
  UNION ALL SELECT station_id, hash(file_id, line), receiver_at_utc FROM raw_frame WHERE meter_wh IS NOT NULL
), said AS (
  SELECT station_id, hash(file_id, line) AS message, CASE WHEN transaction_id IS NOT NULL THEN hash(transaction_id) END AS part_of, at_utc FROM core_signal
), messages AS (
  -- those of which either instant, the station's or the receiver's, is after bound_utc
  SELECT g.station_id, coalesce(part_of, message) AS part_of, unnest([g.at_utc, r.receiver_at_utc]) AS at_utc
  FROM said g JOIN (SELECT r.* FROM received r JOIN wished w ON r.station_id = w.station_id AND r.receiver_at_utc >= w.bound_utc) r USING (message)
  UNION ALL
  SELECT g.station_id, coalesce(part_of, message), unnest([g.at_utc, r.receiver_at_utc])
  FROM received r JOIN (SELECT g.* FROM said g JOIN wished w ON g.station_id = w.station_id AND g.at_utc >= w.bound_utc) g USING (message)
), stated AS (
  SELECT station_id, part_of, at_utc FROM said WHERE part_of IS NOT NULL
  UNION ALL
  SELECT station_id, hash(transaction_id), receiver_at_utc FROM raw_sample
  WHERE coalesce(TRY_CAST(transaction_id AS BIGINT) > 0, transaction_id IS NOT NULL)
  UNION ALL SELECT station_id, hash(transaction_id), plugged_at_utc FROM core_attempt WHERE transaction_id IS NOT NULL
), late AS (
  -- transactions of which any instant is after bound_utc
  SELECT s.station_id, part_of FROM stated s JOIN wished w ON s.station_id = w.station_id AND s.at_utc >= w.bound_utc
  UNION SELECT station_id, part_of FROM messages
), keyed AS (
  FROM stated SEMI JOIN late USING (station_id, part_of)
  UNION ALL FROM messages
), spans AS (
  SELECT station_id, min(at_utc) AS a, max(at_utc) AS b FROM keyed GROUP BY station_id, part_of HAVING a < b
), islands AS (
  -- spans that overlap, as one
  SELECT station_id, min(a) AS a, max(b) AS b FROM (
    SELECT *, count(*) FILTER (apart) OVER (PARTITION BY station_id ORDER BY a, b ROWS UNBOUNDED PRECEDING) AS island FROM (
      SELECT *, a > max(b) OVER (PARTITION BY station_id ORDER BY a, b ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS apart FROM spans))
  GROUP BY station_id, island
), until AS (
  SELECT w.station_id, w.bound_utc, coalesce(i.a, w.at_utc) AS until_utc FROM wished w
  LEFT JOIN islands i ON w.station_id = i.station_id AND i.a < w.at_utc AND w.at_utc <= i.b
  WHERE coalesce(i.a, w.at_utc) >= w.bound_utc
), before AS (
  -- the last of each kind that a record after until_utc may be held against; a minute earlier: the current offered five seconds before
  SELECT station_id, connector_id, coalesce(max(at_utc) FILTER (pilot_state NOT IN ('E', 'F')), max(at_utc)) AS at_utc
  FROM pilot_row JOIN until USING (station_id) WHERE at_utc < until_utc - INTERVAL 1 MINUTE GROUP BY ALL
  UNION ALL
  SELECT station_id, connector_id, max(at_utc) FROM pilot_hold JOIN until USING (station_id) WHERE at_utc < until_utc - INTERVAL 1 MINUTE GROUP BY ALL
  UNION ALL
  SELECT station_id, connector_id, max(at_utc) FROM status_move JOIN until USING (station_id) WHERE at_utc < until_utc AND connector_id > 0 GROUP BY ALL
  UNION ALL
  SELECT station_id, connector_id, max(at_utc) FROM "transaction" JOIN until USING (station_id) WHERE at_utc < until_utc AND connector_id IS NOT NULL GROUP BY ALL
  UNION ALL
  SELECT station_id, connector_id, arg_max(at_utc, started_utc) FROM "transaction" JOIN until USING (station_id)
  WHERE at_utc < until_utc AND connector_id IS NOT NULL AND starts > 0 GROUP BY ALL
), context AS (
  SELECT station_id, any_value(bound_utc) AS bound_utc, min(least(at_utc, until_utc)) AS at_utc FROM until LEFT JOIN before USING (station_id) GROUP BY 1
), seen AS (
  SELECT c.station_id, CASE WHEN coalesce(i.a, c.at_utc) >= c.bound_utc THEN coalesce(i.a, c.at_utc) END AS seen_from_utc FROM context c
  LEFT JOIN islands i ON c.station_id = i.station_id AND i.a < c.at_utc AND c.at_utc <= i.b
), heard AS (
  -- the last word before, with the whole quarter of an hour it was said in
  SELECT station_id, to_timestamp(epoch_us(max(receiver_at_utc)) // 900000000 * 900) AS heard_from_utc
  FROM raw_frame JOIN seen USING (station_id) WHERE direction = 'in' AND receiver_at_utc < seen_from_utc GROUP BY 1
), further AS (
  SELECT station_id, seen_from_utc, coalesce(heard_from_utc, seen_from_utc) AS heard_from_utc, until_utc AS settled_until_utc
  FROM until JOIN seen USING (station_id) LEFT JOIN heard USING (station_id)
  -- as far as before, where no further
  UNION ALL SELECT station_id, seen_from_utc, heard_from_utc, settled_until_utc FROM settled ANTI JOIN until USING (station_id)
)
SELECT f.*, s.settled_until_utc AS from_utc, p.until_utc AS proven_until_utc FROM further f LEFT JOIN settled s USING (station_id) CROSS JOIN proven p
