-- Whether the water stood at the fill mark afterwards, and how long it took. Rows of before have it in
-- the unit ("mL to mark") and before the text ("took 25 min; with the hose").
ALTER TABLE journal ADD COLUMN to_mark INTEGER NOT NULL DEFAULT 0;
ALTER TABLE journal ADD COLUMN lasted_s REAL;

UPDATE journal SET to_mark = 1, unit = rtrim(substr(unit, 1, length(unit) - length('to mark')))
WHERE kind IN ('pour', 'salt-pour', 'water-change') AND unit LIKE '%to mark';

UPDATE journal SET to_mark = 1 WHERE kind = 'pour' AND value IS NULL AND to_mark = 0;

-- "25 min" or "1 h 30 min": a number, letters, perhaps both once more. What reads otherwise, or is not
-- between nothing and half a day, stays text.
UPDATE journal SET lasted_s = told.seconds, text = told.rest
FROM (
  SELECT id, rest, CAST(span AS REAL) * CASE
      WHEN first IN ('s', 'sec', 'second', 'seconds') THEN 1
      WHEN first IN ('min', 'minute', 'minutes') THEN 60
      WHEN first IN ('h', 'hr', 'hour', 'hours') THEN 3600
    END + CASE
      WHEN more = '' THEN 0
      WHEN ltrim(more, '0123456789. ') IN ('s', 'sec', 'second', 'seconds') THEN CAST(more AS REAL)
      WHEN ltrim(more, '0123456789. ') IN ('min', 'minute', 'minutes') THEN CAST(more AS REAL) * 60
    END AS seconds
  FROM (
    SELECT id, rest, span,
      ltrim(ltrim(tail, 'abcdefghijklmnopqrstuvwxyz')) AS more,
      substr(tail, 1, length(tail) - length(ltrim(tail, 'abcdefghijklmnopqrstuvwxyz'))) AS first
    FROM (
      SELECT id, rest, span, ltrim(span, '0123456789. ') AS tail
      FROM (
        SELECT id, trim(substr(text, at + 1)) AS rest,
          lower(trim(substr(text, 6, at - 6))) AS span
        FROM (
          SELECT id, text, instr(text || ';', ';') AS at
          FROM journal WHERE lasted_s IS NULL AND text LIKE 'took %'
        )
      )
    )
  )
) AS told
WHERE journal.id = told.id AND told.seconds > 0 AND told.seconds < 43200;
