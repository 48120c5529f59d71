-- pumps_by_purge_discipline   Which pumps are base-purged in time when they stand? One row a pump, the best first.
-- reads           idle_spans
-- columns         stops BIGINT, longer than the limit; purged BIGINT, in time; purged_share DOUBLE;
--                 surely_share DOUBLE, lower end of its 95 % interval, by which they are ranked;
--                 late, never BIGINT: purged too late, not at all; after_min DOUBLE, median minutes to the purge
-- why             Ranked by what is sure: two stops of two prove less than ninety of a hundred. Wilson's interval
--                 (E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209-212).
SELECT site, pump, stops, purged, purged / stops AS purged_share,
       (purged + 1.920729 - 1.959964 * sqrt(purged * (stops - purged) / stops + 0.960365)) / (stops + 3.841459)
           AS surely_share,
       late, never, after_min
FROM (
    SELECT site, pump, count(*) AS stops, count(*) FILTER (purged) AS purged,
           count(*) FILTER (NOT purged AND purge_start IS NOT NULL) AS late,
           count(*) FILTER (purge_start IS NULL) AS never,
           median(minutes(start, purge_start)) AS after_min
    FROM idle_spans GROUP BY ALL)
ORDER BY surely_share DESC, site, pump;
