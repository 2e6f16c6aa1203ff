-- Spans widened to the beginning of the plug-ins they meet.
CREATE OR REPLACE TEMP TABLE _spans AS
SELECT least(m.a, min(p.plugged_at_utc)) AS a, m.b FROM _merged m LEFT JOIN core_plug_in p
  ON p.plugged_at_utc < m.b AND p.plugged_at_utc >= m.a - $reach AND coalesce(p.unplugged_at_utc, p.seen_utc) >= m.a
GROUP BY m.a, m.b
