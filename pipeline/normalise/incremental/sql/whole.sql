-- A window over everything for every station.
CREATE OR REPLACE TEMP TABLE _windows AS
SELECT station_id, false AS implausible,
  $all_from AS lo_utc, $all_from AS keep_from_utc, $all_to AS keep_to_utc, $all_to AS hi_utc FROM (
  SELECT station_id FROM raw_frame UNION SELECT station_id FROM raw_sample UNION SELECT station_id FROM raw_event
  UNION SELECT station_id FROM raw_pilot UNION SELECT station_id FROM raw_session JOIN core_evse USING (evse_id)
  UNION SELECT station_id FROM core_plug_in)
