-- Exported sessions that begin within the windows of the batch.
SELECT t.*, e.station_id FROM raw_session t JOIN core_evse e USING (evse_id) JOIN _batch w USING (station_id)
WHERE t.plugged_at_utc >= w.lo_utc AND t.plugged_at_utc < w.hi_utc
