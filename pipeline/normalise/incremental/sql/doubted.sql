-- Windows of months or of eras before, where some of the station's history has been made already.
CREATE OR REPLACE TEMP TABLE _doubted AS
SELECT w.* FROM _windows w JOIN (FROM _clocks WHERE implausible OR far) USING (station_id)
SEMI JOIN core_clock USING (station_id) WHERE w.keep_from_utc > $all_from
