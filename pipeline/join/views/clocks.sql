-- clocks          How far an edge's clock can be off, by what came in. One row an edge and UTC day.
-- reads           history.gauge_samples, history.photos, history.records, site_limits      read by  engineers
-- columns         day DATE, UTC, of the device's time; readings BIGINT; least_delay_s DOUBLE, seconds from the
--                 device's time to the commit, of what came fastest, below zero where the device says a time to come;
--                 type: 'ahead' by more than limits.clock_ahead_s, 'late' where nothing of the day came within 60 s, else 'good'
-- why             The device's time and the moment of landing are both kept, so a wrong clock shows afterwards.
--                 Nothing can land before it was measured. What is late may also have waited in an outbox, or was
--                 replayed. Both limits (5 s unless set, 60 s) are common practice, no source.
CREATE VIEW clocks AS
WITH came AS (
    SELECT site, edge, "at", landed_at FROM history.gauge_samples
    UNION ALL SELECT site, edge, "at", landed_at FROM history.photos
    UNION ALL SELECT site, edge, "at", landed_at FROM history.records),
days AS (
    SELECT site, edge, "at"::DATE AS day, count(*) AS readings,
           epoch(min(landed_at - "at")) AS least_delay_s
    FROM came WHERE edge IS NOT NULL GROUP BY ALL)
SELECT site, edge, day, readings, least_delay_s,
       CASE WHEN least_delay_s < -clock_ahead_s THEN 'ahead' WHEN least_delay_s > 60 THEN 'late' ELSE 'good' END AS type
FROM days CROSS JOIN site_limits;
