-- Who acts on each caught record. The rule says it itself, or it is asked who carries the trouble: the vehicle, where the
-- rule caught it at more EVSEs than the EVSE caught vehicles, or the EVSE, where it is the other way round.
CREATE OR REPLACE TEMP TABLE caught_acts AS
WITH known AS (
  -- caught records with the vehicle of their attempt
  SELECT c.*, a.vehicle_id, d.acts AS declared
  FROM caught_at c JOIN rule_acts d USING (rule) LEFT JOIN core_attempt a USING (attempt_id)
), of_evse AS (
  -- the column: vehicles caught at an EVSE, by rule
  SELECT rule, station_id, connector_id, count(DISTINCT vehicle_id) AS vehicles FROM known GROUP BY ALL
), of_vehicle AS (
  -- the row: EVSEs at which a vehicle was caught, by rule
  SELECT rule, vehicle_id, count(DISTINCT (station_id, connector_id)) AS evses
  FROM known WHERE vehicle_id IS NOT NULL GROUP BY ALL
)
SELECT k.* EXCLUDE (vehicle_id, declared),
       CASE WHEN k.declared <> $either THEN k.declared
            WHEN v.evses > e.vehicles THEN 'fleet office'
            WHEN v.evses < e.vehicles THEN 'site operator'
            ELSE 'fleet office or site operator' END AS acts
FROM known k
LEFT JOIN of_evse e ON k.rule = e.rule AND k.station_id IS NOT DISTINCT FROM e.station_id
  AND k.connector_id IS NOT DISTINCT FROM e.connector_id
LEFT JOIN of_vehicle v ON k.rule = v.rule AND k.vehicle_id = v.vehicle_id
