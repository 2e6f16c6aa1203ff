-- Which rows of a station must be read (lo, hi) and replaced (keep_from, keep_to) for its new ones. Months: where pilot rows may have to be
-- placed again (implausible); where only frames came by a clock far off (far), they are read with its eras before, and what came after is made again.
CREATE OR REPLACE TEMP TABLE _windows AS
WITH reach AS (
  -- days that new rows alone can change
  SELECT station_id, implausible, far, last_far,
    least(date_trunc('day', first) - if(implausible, $implausible, INTERVAL 2 DAY),
      if(knot_before > first - $held - INTERVAL 1 DAY, date_trunc('day', knot_before), date_trunc('day', first))) AS keep_from,
    greatest(date_trunc('day', last) + if(implausible OR far, $implausible, INTERVAL 3 DAY),
      if(len(knots_after) = 2, least(date_trunc('day', knots_after[2]) + INTERVAL 1 DAY, last + 2 * $held),
        last + $held + INTERVAL 2 DAY)) AS keep_to
  FROM _clocks
), ends AS (
  -- plug-ins of these stations with an end: unplugged, silent for long, or the next one
  SELECT station_id, evse_id, plugged_at_utc,
    least(coalesce(unplugged_at_utc, seen_utc + $silence),
      lead(plugged_at_utc, 1, 'infinity'::TIMESTAMPTZ) OVER (PARTITION BY evse_id ORDER BY plugged_at_utc)) AS end_utc
  FROM core_plug_in SEMI JOIN _new USING (station_id) WHERE plugged_at_utc >= $since
), met AS (
  -- plug-ins that those days meet
  SELECT r.station_id, min(e.plugged_at_utc) FILTER (e.plugged_at_utc < r.keep_to AND e.end_utc >= r.keep_from) AS first_met,
    max(e.end_utc) FILTER (e.plugged_at_utc < r.keep_to AND e.end_utc >= r.keep_from) AS last_met
  FROM reach r LEFT JOIN ends e USING (station_id) GROUP BY 1
), next AS (
  -- the next plug-in of each EVSE after them, whose end may move
  SELECT station_id, max(end_utc) AS next_end FROM (
    SELECT e.station_id, e.evse_id, arg_min(e.end_utc, e.plugged_at_utc) AS end_utc
    FROM ends e JOIN reach r ON e.station_id = r.station_id AND e.plugged_at_utc BETWEEN r.keep_to AND r.keep_to + $silence
    GROUP BY ALL) GROUP BY 1
), kept AS (
  -- days widened to whole plug-ins
  SELECT station_id, implausible, far, last_far, least(keep_from, first_met) AS keep_from,
    greatest(keep_to, last_met + INTERVAL 1 SECOND, next_end + INTERVAL 1 SECOND) AS keep_to
  FROM reach LEFT JOIN met USING (station_id) LEFT JOIN next USING (station_id)
), behind AS (
  -- the plug-in that straddles the beginning
  SELECT k.station_id, min(e.plugged_at_utc) AS straddling FROM kept k JOIN ends e
    ON e.station_id = k.station_id AND e.plugged_at_utc < k.keep_from AND e.end_utc >= k.keep_from - INTERVAL 1 DAY GROUP BY 1
), earlier AS (
  -- the two knots before, from which the first line is drawn
  SELECT k.station_id, min(receiver_from_utc) AS knot FROM kept k JOIN (
    SELECT c.station_id, c.receiver_from_utc FROM core_clock c JOIN kept USING (station_id)
    WHERE c.receiver_from_utc >= $since AND c.receiver_from_utc < keep_from
    QUALIFY row_number() OVER (PARTITION BY c.station_id ORDER BY c.receiver_from_utc DESC) <= 2) c USING (station_id)
  WHERE c.receiver_from_utc > k.keep_from - 2 * $held GROUP BY 1
), off AS (
  -- the first line that is far off in the month before, where frames by such a clock are made again: they may be of its era
  SELECT k.station_id, min(c.receiver_from_utc) AS eras
  FROM (FROM kept WHERE far OR last_far >= keep_from - INTERVAL 1 DAY) k JOIN core_clock c USING (station_id)
  WHERE abs(c.offset_s) > 43200 AND c.receiver_from_utc BETWEEN k.keep_from - $implausible AND k.keep_from GROUP BY 1
)
SELECT k.station_id, implausible,
  date_trunc('day', least(keep_from - if(implausible, $implausible, INTERVAL 4 DAY), straddling - INTERVAL 1 DAY, knot - INTERVAL 1 DAY, eras - INTERVAL 4 DAY))
    AS lo_utc,
  keep_from AS keep_from_utc,
  keep_to AS keep_to_utc,
  keep_to + if(implausible, $implausible, $silence + INTERVAL 1 DAY) AS hi_utc
FROM kept k LEFT JOIN behind USING (station_id) LEFT JOIN earlier USING (station_id) LEFT JOIN off USING (station_id)
