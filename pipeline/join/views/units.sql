-- units           Frames and panels as glazed. One row a start, or a finish that no start precedes.
-- reads           history.said                    read by  the summary
-- columns         started, finished TIMESTAMPTZ, UTC, NULL where no record says so; minutes DOUBLE;
--                 started_by, finished_by VARCHAR; day DATE, production day of the first of the two
-- why             Records that a correction superseded are left out: a unit is where it was really glazed.
CREATE VIEW units AS
WITH marks AS (
    SELECT site, pump, day, time, person, kind, id, body ->> 'unit' AS unit,
           count(*) FILTER (kind = 'unit_started') OVER (
               PARTITION BY site, pump, body ->> 'unit' ORDER BY time, id) AS start_no,
           lag(kind) OVER (PARTITION BY site, pump, body ->> 'unit' ORDER BY time, id) AS before
    FROM history.said
    WHERE kind IN ('unit_started', 'unit_finished') AND superseded_by IS NULL),
glazed AS (
    -- A second finish in a row belongs to no start: it gets a row of its own.
    SELECT *, CASE WHEN kind = 'unit_finished' AND before IS DISTINCT FROM 'unit_started' THEN id
                   ELSE start_no::VARCHAR END AS glazing
    FROM marks)
SELECT site, pump, min_by(day, time) AS day, unit,
       min(time) FILTER (kind = 'unit_started') AS started, max(time) FILTER (kind = 'unit_finished') AS finished,
       minutes(min(time) FILTER (kind = 'unit_started'), max(time) FILTER (kind = 'unit_finished')) AS minutes,
       any_value(person) FILTER (kind = 'unit_started') AS started_by,
       any_value(person) FILTER (kind = 'unit_finished') AS finished_by
FROM glazed
GROUP BY site, pump, unit, glazing;
