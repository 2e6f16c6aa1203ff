-- A span cut into pieces of so many plug-ins.
SELECT min(plugged_at_utc), max(plugged_at_utc) FROM (
  SELECT plugged_at_utc, (row_number() OVER (ORDER BY plugged_at_utc)) // $size AS piece
  FROM core_plug_in WHERE plugged_at_utc >= $a AND plugged_at_utc < $b) GROUP BY piece ORDER BY 1
