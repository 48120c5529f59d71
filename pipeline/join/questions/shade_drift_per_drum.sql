-- shade_drift_per_drum   Does the shade drift while a drum empties? One row a base drum put on.
-- reads           lots, smear_tests
-- columns         lot, since, until; smears BIGINT, judged on it; first_shade, last_shade DOUBLE, CIEDE2000 to the
--                 material's own standard; drift_per_day DOUBLE, least squares; r2 DOUBLE, how much of it is a line
SELECT d.site, d.pump, d.lot, d.since, d.until, count(*) AS smears,
       arg_min(t.shade_delta_e, t.time) AS first_shade, arg_max(t.shade_delta_e, t.time) AS last_shade,
       regr_slope(t.shade_delta_e, epoch(t.time) / 86400) AS drift_per_day,
       regr_r2(t.shade_delta_e, epoch(t.time) / 86400) AS r2
FROM lots d
JOIN smear_tests t ON t.site = d.site AND t.pump = d.pump AND t.time >= d.since AND (d.until IS NULL OR t.time < d.until)
WHERE d.part = 'base' AND t.seen_by = 'camera' AND t.shade_delta_e IS NOT NULL
GROUP BY ALL
ORDER BY d.site, d.pump, d.since;
