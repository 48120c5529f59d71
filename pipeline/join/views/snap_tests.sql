-- snap_tests      Snap times. One row a record, superseded ones included and marked.
-- keys            id
-- reads           history.said, history.snap_results, pump_limits       read by  shift_summary.sql, the summary
-- columns         time TIMESTAMPTZ, UTC; minutes DOUBLE as taken; min_min, max_min the lots' range, else the pump's;
--                 valid BOOLEAN, mixed, timed and lifted properly as far as is said; problems, unsaid VARCHAR[];
--                 adjusted_min at the reference temperature, with the fit's 95 % interval, NULL without a fit;
--                 in_limits BOOLEAN, of the whole interval where there is one, NULL where not valid;
--                 ea_j_mol, its interval and fit_tests: the fit; base_lot, curing_agent_lot on the pump at the test;
--                 temp_degc, rh_pct of the room, material_degc; corrects, superseded_by VARCHAR, ids
-- why             A superseded record has no result of its own: it is held against the pump's range as it was taken.
CREATE VIEW snap_tests AS
SELECT s.id, s.site, s.pump, s.day, s.time, s.person, (body ->> 'minutes')::DOUBLE AS minutes,
       coalesce(r.least_min, snap_min_min) AS min_min, coalesce(r.most_min, snap_max_min) AS max_min,
       coalesce(r.valid, true) AS valid, coalesce(r.problems, []) AS problems, coalesce(r.unsaid, []) AS unsaid,
       r.adjusted_min, r.adjusted_low_min, r.adjusted_high_min,
       CASE WHEN r.id IS NULL THEN (body ->> 'minutes')::DOUBLE BETWEEN snap_min_min AND snap_max_min
            ELSE r.passed END AS in_limits,
       r.ea_j_mol, r.ea_low_j_mol, r.ea_high_j_mol, r.fit_tests,
       coalesce(r.base_lot, body ->> 'base_lot') AS base_lot,
       coalesce(r.curing_agent_lot, body ->> 'curing_agent_lot') AS curing_agent_lot,
       (body ->> 'temp_degc')::DOUBLE AS temp_degc, (body ->> 'rh_pct')::DOUBLE AS rh_pct,
       (body ->> 'material_degc')::DOUBLE AS material_degc, s.note, s.corrects, s.superseded_by
FROM history.said s LEFT JOIN pump_limits USING (site, pump)
LEFT JOIN history.snap_results r ON r.id = s.id AND r.site = s.site AND r.pump = s.pump AND s.superseded_by IS NULL
WHERE kind = 'snap_time';
