-- ratio_checks    Weighed ratios, base to curing agent. One row a record, superseded ones included and marked.
-- keys            id
-- reads           history.said, history.ratio_results, pump_limits      read by  shift_summary.sql, the summary
-- columns         base_g, curing_agent_g DOUBLE, gram, sums over the catches; ratio DOUBLE, by mass; wanted DOUBLE;
--                 ratio_low, ratio_high: 95 % interval; by_volume, by_volume_low, by_volume_high: with densities set;
--                 deviation_pct, tolerance_pct DOUBLE; verdict 'in' | 'out' | 'unsure', why VARCHAR;
--                 in_tolerance BOOLEAN, the ratio itself; corrects, superseded_by VARCHAR, ids
-- why             'in' takes the whole interval; 'unsure' (too few catches, or too scattered) asks for more.
CREATE VIEW ratio_checks AS
WITH weighed AS (
    SELECT said.*, from_json(body -> 'catches', '[{"base_g":"DOUBLE","curing_agent_g":"DOUBLE"}]') AS catches
    FROM history.said WHERE kind = 'ratio_check'),
summed AS (
    SELECT *, list_sum([c.base_g FOR c IN catches]) AS base_g,
           list_sum([c.curing_agent_g FOR c IN catches]) AS curing_agent_g
    FROM weighed)
SELECT s.id, s.site, s.pump, s.day, s.time, s.person, len(s.catches) AS catches, s.base_g, s.curing_agent_g,
       s.base_g / s.curing_agent_g AS ratio, ratio_by_mass AS wanted,
       100 * (s.base_g / s.curing_agent_g / ratio_by_mass - 1) AS deviation_pct,
       ratio_tolerance_pct AS tolerance_pct,
       abs(100 * (s.base_g / s.curing_agent_g / ratio_by_mass - 1)) <= ratio_tolerance_pct AS in_tolerance,
       r.low AS ratio_low, r.high AS ratio_high, r.by_volume, r.by_volume_low, r.by_volume_high,
       r.verdict, r.why, s.note, s.corrects, s.superseded_by
FROM summed s LEFT JOIN pump_limits USING (site, pump)
LEFT JOIN history.ratio_results r ON r.id = s.id AND r.site = s.site AND r.pump = s.pump AND s.superseded_by IS NULL;
