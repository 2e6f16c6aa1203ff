-- Weights of attempts: 0 where a rule of severity reject caught one of its records, less where one of distrust did.
UPDATE core_attempt SET distrust = s.hard, weight = CASE WHEN s.reject THEN 0 WHEN s.hard THEN $weight ELSE 1 END
FROM (
  SELECT a.attempt_id, coalesce(bool_or(c.severity = 'reject'), false) AS reject,
         coalesce(bool_or(c.severity IN ('reject', 'distrust')), false) AS hard
  FROM core_attempt a LEFT JOIN caught_at c USING (attempt_id) GROUP BY 1
) s
WHERE core_attempt.attempt_id = s.attempt_id
