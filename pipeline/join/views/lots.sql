-- lots            What was on the pump, when. One row a lot put on, until the next of its part.
-- keys            site, pump, part, since, lot
-- reads           changeovers, snap_tests, pump_limits           read by  the summary
-- columns         part 'base' | 'curing_agent'; since, until TIMESTAMPTZ, UTC, until NULL while it is on;
--                 since_known BOOLEAN, false where the lot was first named by a snap test; expires TIMESTAMPTZ;
--                 stored_min_degc, stored_max_degc DOUBLE; stored_badly BOOLEAN, beyond the limits set, NULL if unknown
CREATE VIEW lots AS
WITH named AS (
    SELECT site, pump, part, time, new_lot AS lot, expires, stored_min_degc, stored_max_degc, true AS since_known
    FROM changeovers WHERE part <> 'mixer' AND superseded_by IS NULL
    UNION ALL
    SELECT site, pump, 'base', time, base_lot, NULL, NULL, NULL, false
    FROM snap_tests WHERE superseded_by IS NULL AND base_lot IS NOT NULL
    UNION ALL
    SELECT site, pump, 'curing_agent', time, curing_agent_lot, NULL, NULL, NULL, false
    FROM snap_tests WHERE superseded_by IS NULL AND curing_agent_lot IS NOT NULL),
fresh AS (
    SELECT *, lag(lot) OVER (PARTITION BY site, pump, part ORDER BY time, since_known DESC) AS before FROM named
    -- A changeover to the same lot is another pail or drum of it.
    QUALIFY since_known OR lot IS DISTINCT FROM before)
SELECT site, pump, part, lot, time AS since,
       lead(time) OVER (PARTITION BY site, pump, part ORDER BY time, since_known DESC) AS until,
       since_known, expires, stored_min_degc, stored_max_degc,
       stored_min_degc < storage_min_degc OR stored_max_degc > storage_max_degc AS stored_badly
FROM fresh LEFT JOIN pump_limits USING (site, pump);
