-- release_spans   Whether the pump might make units, and why not; back to back. One row a span.
-- reads           history.release_spans           read by  shift_summary.sql, the summary
-- columns         start, "end" TIMESTAMPTZ, UTC, "end" NULL while it lasts; state 'release' | 'hold'
--                 rules, reasons VARCHAR[], in step; under release they name a person's override, if any
CREATE VIEW release_spans AS
SELECT site, pump, day, start, "end", state, rules, reasons
FROM history.release_spans;
