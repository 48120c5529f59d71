-- sensor_quality  Spans in which a gauge's readings are not to be trusted. One row a fault of a gauge.
-- reads           history.sensor_faults           read by  shift_summary.sql, the summary
-- columns         start, "end" TIMESTAMPTZ, UTC; gauge, or 'all' for the whole row; type as in `inspect --json`
--                 flag TINYINT, QARTOD primary flag: 3 suspect, 4 fail, 9 missing
-- why             The flags are those of IOC Manuals and Guides 54, vol. 3, so that other tools can read them.
CREATE VIEW sensor_quality AS
SELECT site, pump, day, start, "end", gauge, type,
       CASE WHEN type IN ('gap', 'missing') THEN 9
            WHEN type IN ('stuck', 'saturation', 'wire_break') THEN 4
            ELSE 3 END::TINYINT AS flag
FROM history.sensor_faults;
