-- Windows with the part of each within which messages are read (said_lo, said_hi) and what they say is replaced (said_from, said_to). windows: a table.
SELECT w.*, greatest(w.lo_utc, n.lo_utc) AS said_lo_utc, greatest(w.keep_from_utc, n.keep_from_utc) AS said_from_utc,
  least(w.keep_to_utc, n.keep_to_utc) AS said_to_utc, least(w.hi_utc, n.hi_utc) AS said_hi_utc
FROM {windows} w LEFT JOIN _narrow n USING (station_id)
