-- How far the clock's corrections move for a station's new rows, and what an implausible clock near them asks for. fresh: a condition on file_id.
CREATE OR REPLACE TEMP TABLE _clocks AS
WITH lines AS (
  -- the clock's lines; far: off by more than half a day; near: within a month of the new rows by its own time, or by the receiver's
  SELECT c.*, abs(offset_s) > 43200 AS far,
    abs(offset_s) > 43200 AND segment_from_utc BETWEEN a - INTERVAL 30 DAY AND b + INTERVAL 30 DAY AS own_near,
    abs(offset_s) > 43200 AND receiver_from_utc BETWEEN a - INTERVAL 30 DAY AND b + INTERVAL 30 DAY AS near
  FROM _new n JOIN (FROM core_clock WHERE receiver_from_utc >= $since) c USING (station_id)
), known AS (
  -- the knot before the new rows, the second after them, and the last line that is far off
  SELECT n.station_id, n.a, n.b, n.implausible,
    least(n.a, min(receiver_from_utc) FILTER (own_near)) AS first, greatest(n.b, max(receiver_from_utc) FILTER (own_near)) AS last,
    n.implausible OR coalesce(bool_or(own_near OR near), false) AS doubted, coalesce(bool_or(own_near), false) AS shown_again,
    max(receiver_from_utc) FILTER (far) AS last_far,
    max(receiver_from_utc) FILTER (receiver_from_utc < date_trunc('day', a)) AS knot_before,
    min(receiver_from_utc, 2) FILTER (receiver_from_utc >= date_trunc('day', b) + INTERVAL 1 DAY) AS knots_after
  FROM _new n LEFT JOIN lines c USING (station_id) GROUP BY n.station_id, n.a, n.b, n.implausible
), shown_by_month AS (
  -- what a clock that is far off may show, a month wider
  SELECT station_id, min(segment_from_utc) - INTERVAL 30 DAY AS own_from, max(segment_from_utc) + INTERVAL 30 DAY AS own_to
  FROM lines WHERE far GROUP BY station_id, epoch(segment_from_utc) // 2592000
  UNION ALL
  SELECT station_id, own_from - INTERVAL 30 DAY, own_to + INTERVAL 30 DAY FROM _new WHERE own_from IS NOT NULL
), shown AS (
  -- the same, those that meet as one: a row lies in one at most
  SELECT station_id, min(own_from) AS own_from, max(own_to) AS own_to FROM (
    SELECT *, count(*) FILTER (apart) OVER (PARTITION BY station_id ORDER BY own_from, own_to ROWS UNBOUNDED PRECEDING) AS island FROM (
      SELECT *, coalesce(own_from > max(own_to) OVER (
        PARTITION BY station_id ORDER BY own_from, own_to ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING), true) AS apart
      FROM shown_by_month)) GROUP BY station_id, island
), doubted AS (
  -- pilot rows of stations with a doubted clock
  SELECT p.station_id, p.file_id, p.line, p.station_at_utc, k.first, k.last FROM raw_pilot p JOIN (FROM known WHERE doubted) k USING (station_id)
), files AS (
  -- their files of which a row lies within two months
  SELECT station_id, file_id, max(line) AS last_line FROM doubted
  GROUP BY ALL HAVING bool_or(station_at_utc BETWEEN first - 2 * $implausible AND last + 2 * $implausible)
), lost AS (
  -- rows before any right clock, far from all that is made again, or as such a clock may show
  SELECT station_id, file_id, line FROM doubted
  WHERE station_at_utc < $clocks_from OR station_at_utc < first - 3 * $implausible OR station_at_utc > last + 3 * $implausible
  UNION ALL
  SELECT d.station_id, d.file_id, d.line FROM doubted d JOIN shown s USING (station_id) WHERE d.station_at_utc BETWEEN s.own_from AND s.own_to
), unsure AS (
  -- stations with lost rows; open: new ones are among them, or a file ends with them: then what comes later tells where they belong
  SELECT station_id, bool_or({fresh} OR line = last_line) AS open FROM lost JOIN files USING (station_id, file_id) GROUP BY 1
), judged AS (
  -- far: the new rows come by a clock far off; implausible: and pilot rows may have to be placed again
  SELECT k.*, coalesce(k.implausible OR doubted AND last_far >= a - INTERVAL 3 DAY, false) AS far, u.station_id IS NOT NULL
    AND (open OR shown_again OR coalesce(k.implausible OR last_far >= a - INTERVAL 3 DAY, false)) AS moves
  FROM known k LEFT JOIN unsure u USING (station_id)
)
SELECT station_id, moves AS implausible, far, last_far, if(moves, first, a) AS first, if(moves, last, b) AS last, knot_before, knots_after
FROM judged
