-- snap_tests      Snap times. One row a record, superseded ones included and marked.
-- reads           history.said, pump_limits       read by  shift_summary.sql, the summary
-- columns         time TIMESTAMPTZ, UTC; minutes, min_min, max_min DOUBLE; in_limits BOOLEAN;
--                 temp_degc, rh_pct DOUBLE at the test; corrects, superseded_by VARCHAR, ids
CREATE VIEW snap_tests AS
SELECT id, site, pump, day, time, person, (body ->> 'minutes')::DOUBLE AS minutes,
       snap_min_min AS min_min, snap_max_min AS max_min,
       (body ->> 'minutes')::DOUBLE BETWEEN snap_min_min AND snap_max_min AS in_limits,
       body ->> 'base_lot' AS base_lot, body ->> 'curing_agent_lot' AS curing_agent_lot,
       (body ->> 'temp_degc')::DOUBLE AS temp_degc, (body ->> 'rh_pct')::DOUBLE AS rh_pct,
       note, corrects, superseded_by
FROM history.said LEFT JOIN pump_limits USING (site, pump)
WHERE kind = 'snap_time';
