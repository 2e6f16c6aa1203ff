-- Stations whose settled past is as it was: the same fingerprint, no transaction that goes on beyond it, and the data still reach as far.
CREATE OR REPLACE TEMP TABLE settled AS
WITH same AS (
  SELECT m.* FROM meta_settled_station m JOIN recalled USING (station_id, fingerprint), data_span d
  WHERE m.settled_until_utc <= d.last_frame_utc - INTERVAL '{days} days'
), keyed AS (
  SELECT station_id, transaction_id, at_utc FROM core_signal WHERE transaction_id IS NOT NULL
  UNION ALL SELECT station_id, transaction_id, receiver_at_utc FROM raw_sample WHERE coalesce(TRY_CAST(transaction_id AS BIGINT) > 0, transaction_id IS NOT NULL)
  UNION ALL SELECT station_id, transaction_id, plugged_at_utc FROM core_attempt WHERE transaction_id IS NOT NULL
), going_on AS (
  SELECT DISTINCT k.station_id FROM keyed k JOIN same s ON k.station_id = s.station_id AND k.at_utc < s.settled_until_utc
  SEMI JOIN (SELECT k.station_id, k.transaction_id FROM keyed k JOIN same s ON k.station_id = s.station_id AND k.at_utc >= s.settled_until_utc) later
    ON k.station_id = later.station_id AND k.transaction_id = later.transaction_id
)
SELECT same.* FROM same ANTI JOIN going_on USING (station_id)
