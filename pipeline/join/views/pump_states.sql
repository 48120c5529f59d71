-- pump_states     What the pump did, back to back. One row a span.
-- reads           history.pump_states             read by  shift_summary.sql, the summary
-- columns         day DATE, production day of start; start, "end" TIMESTAMPTZ, UTC; minutes DOUBLE
--                 type 'dispensing' | 'stalled' | 'purging' | 'off' | 'no_data'
CREATE VIEW pump_states AS
SELECT site, pump, day, start, "end", type, minutes(start, "end") AS minutes
FROM history.pump_states;
