-- Pilot rows of an impossible time, with the files in which rows of the windows stand.
WITH far AS (
  -- rows months away from the window of a station whose clock was implausible
  SELECT t.* FROM raw_pilot t JOIN (FROM _batch WHERE implausible) w USING (station_id)
  WHERE t.station_at_utc < w.lo_utc - $implausible OR t.station_at_utc >= w.hi_utc + $implausible
)
SELECT far.* FROM far SEMI JOIN (
  SELECT DISTINCT t.station_id, t.file_id FROM (FROM raw_pilot WHERE station_at_utc >= $lo) t JOIN _batch w USING (station_id)
  WHERE t.station_at_utc >= w.lo_utc AND t.station_at_utc < w.hi_utc) USING (station_id, file_id)
