-- balance_events  Spans in which the catalyst gauges ran apart while dispensing. One row a span.
-- reads           history.balance_events          read by  shift_summary.sql, the summary
-- columns         start, "end" TIMESTAMPTZ, UTC; peak_pa DOUBLE, pascal, the worst stroke's mean
--                 type 'caution' | 'out_of_balance'
CREATE VIEW balance_events AS
SELECT site, pump, day, start, "end", type, peak_pa
FROM history.balance_events;
