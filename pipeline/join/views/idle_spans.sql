-- idle_spans      Stops longer than the limit for a base purge. One row a stop.
-- reads           history.idle_spans              read by  shift_summary.sql, the summary
-- columns         start, "end" TIMESTAMPTZ, UTC; minutes DOUBLE; purged BOOLEAN, a purge began in time;
--                 purge_start, purge_end TIMESTAMPTZ, the first purge in the stop, in time or not
CREATE VIEW idle_spans AS
SELECT site, pump, day, start, "end", minutes(start, "end") AS minutes, purged, purge_start, purge_end
FROM history.idle_spans;
