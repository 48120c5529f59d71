-- bead_readings   Shore A along cured beads. One row a mark read; superseded ones included and marked.
-- reads           history.said                    read by  the summary
-- columns         mark_mm DOUBLE, along the bead; mark_kind; age_h DOUBLE; shore_a DOUBLE[]; shore_a_median DOUBLE
CREATE VIEW bead_readings AS
SELECT id, site, pump, day, time, person, body ->> 'bead' AS bead, body ->> 'mark' AS mark,
       (body ->> 'mark_mm')::DOUBLE AS mark_mm, coalesce(body ->> 'mark_kind', 'plain') AS mark_kind,
       (body ->> 'age_h')::DOUBLE AS age_h, from_json(body -> 'shore_a', '["DOUBLE"]') AS shore_a,
       list_median(from_json(body -> 'shore_a', '["DOUBLE"]')) AS shore_a_median,
       note, corrects, superseded_by
FROM history.said
WHERE kind = 'bead_reading';
