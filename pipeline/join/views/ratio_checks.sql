-- ratio_checks    Weighed ratios. One row a record, over all its catches; superseded ones included and marked.
-- reads           history.said, pump_limits       read by  shift_summary.sql, the summary
-- columns         base_g, curing_agent_g DOUBLE, gram, sums; ratio DOUBLE, by mass; wanted DOUBLE;
--                 deviation_pct, tolerance_pct DOUBLE; in_tolerance BOOLEAN; corrects, superseded_by VARCHAR, ids
CREATE VIEW ratio_checks AS
WITH weighed AS (
    SELECT said.*, from_json(body -> 'catches', '[{"base_g":"DOUBLE","curing_agent_g":"DOUBLE"}]') AS catches
    FROM history.said WHERE kind = 'ratio_check'),
summed AS (
    SELECT *, list_sum([c.base_g FOR c IN catches]) AS base_g,
           list_sum([c.curing_agent_g FOR c IN catches]) AS curing_agent_g
    FROM weighed)
SELECT id, site, pump, day, time, person, len(catches) AS catches, base_g, curing_agent_g,
       base_g / curing_agent_g AS ratio, ratio_by_mass AS wanted,
       100 * (base_g / curing_agent_g / ratio_by_mass - 1) AS deviation_pct,
       ratio_tolerance_pct AS tolerance_pct,
       abs(100 * (base_g / curing_agent_g / ratio_by_mass - 1)) <= ratio_tolerance_pct AS in_tolerance,
       note, corrects, superseded_by
FROM summed LEFT JOIN pump_limits USING (site, pump);
