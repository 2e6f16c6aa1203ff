-- Clocks as if none were doubted: the new rows reach over themselves and over what has moved (_moved).
CREATE OR REPLACE TEMP TABLE _clocks AS
SELECT c.* REPLACE (
  if(d.station_id IS NULL, c.implausible, false) AS implausible, if(d.station_id IS NULL, c.far, false) AS far,
  if(d.station_id IS NULL, c.last_far, NULL) AS last_far,
  if(d.station_id IS NULL, c.first, least(n.a, m.from_utc)) AS first, if(d.station_id IS NULL, c.last, greatest(n.b, m.to_utc)) AS last)
FROM _clocks c JOIN _new n USING (station_id) LEFT JOIN _doubted d USING (station_id) LEFT JOIN _moved m USING (station_id)
