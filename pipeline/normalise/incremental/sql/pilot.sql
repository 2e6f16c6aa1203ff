-- Pilot rows within the windows of the batch, by the station's clock.
SELECT t.* FROM (FROM raw_pilot WHERE station_at_utc >= $lo) t JOIN _batch w USING (station_id)
WHERE t.station_at_utc >= w.lo_utc AND t.station_at_utc < w.hi_utc
