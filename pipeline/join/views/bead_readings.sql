-- bead_readings   Shore A along cured beads. One row a mark read; superseded ones included and marked.
-- keys            id
-- reads           history.said, history.bead_marks           read by  the summary
-- columns         mark_mm DOUBLE, along the bead; mark_kind; age_h DOUBLE; shore_a DOUBLE[]; shore_a_median DOUBLE;
--                 below_norm DOUBLE, Shore A points below the bead's norm, NULL without one; soft BOOLEAN;
--                 by_the_rules BOOLEAN, problems VARCHAR[]: readings, spacing, thickness, time, as far as is said
CREATE VIEW bead_readings AS
SELECT s.id, s.site, s.pump, s.day, s.time, s.person, body ->> 'bead' AS bead, body ->> 'mark' AS mark,
       (body ->> 'mark_mm')::DOUBLE AS mark_mm, coalesce(body ->> 'mark_kind', 'plain') AS mark_kind,
       (body ->> 'age_h')::DOUBLE AS age_h, from_json(body -> 'shore_a', '["DOUBLE"]') AS shore_a,
       list_median(from_json(body -> 'shore_a', '["DOUBLE"]')) AS shore_a_median,
       m.below AS below_norm, m.soft, m.valid AS by_the_rules, coalesce(m.problems, []) AS problems,
       s.note, s.corrects, s.superseded_by
FROM history.said s
LEFT JOIN history.bead_marks m ON m.id = s.id AND m.site = s.site AND m.pump = s.pump AND s.superseded_by IS NULL
WHERE kind = 'bead_reading';
