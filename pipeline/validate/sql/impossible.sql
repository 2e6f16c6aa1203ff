-- Rows of core_impossible: one a caught record, or one a firmware of which the rule is a habit.
WITH of_whole AS (
  -- caught records of a rule that is a habit of their firmware
  SELECT c.* FROM caught_acts c JOIN whole w
    ON c.rule = w.rule AND c.evse_model = w.evse_model AND c.firmware IS NOT DISTINCT FROM w.firmware
), singly AS (
  -- all others
  SELECT c.* FROM caught_acts c ANTI JOIN whole w
    ON c.rule = w.rule AND c.evse_model = w.evse_model AND c.firmware IS NOT DISTINCT FROM w.firmware
)
SELECT rule, severity, acts, station_id, connector_id, at_utc, attempt_id, file_id, line, detail FROM singly
UNION ALL
SELECT rule, any_value(severity), any_value(acts), NULL, NULL, min(at_utc), NULL, NULL, NULL,
       concat('firmware ', coalesce(firmware, 'not known'), ' of ', evse_model, ' as a whole, reported once: ',
              count(*), ' records at ', count(DISTINCT station_id), ' stations until ', max(at_utc),
              '; the first: ', arg_min(detail, at_utc), ' at ', arg_min(station_id, at_utc))
FROM of_whole GROUP BY rule, evse_model, firmware
ORDER BY rule, at_utc, station_id, connector_id, attempt_id, file_id, line, detail
