-- Rows of a table of frames within the windows of the batch, by either clock. table: one of raw_frame, raw_sample, raw_event; columns: of `t`; kind: which rows.
-- read: the place in the order of putting, which tells rows of one line apart; rows need not come in it.
SELECT {columns} FROM (SELECT rowid AS read, * FROM "{table}" WHERE receiver_at_utc >= $lo AND {kind}) t JOIN _batch w USING (station_id)
WHERE t.receiver_at_utc >= w.lo_utc
  AND (t.receiver_at_utc < w.hi_utc OR t.station_at_utc >= w.lo_utc AND t.station_at_utc < w.hi_utc)
