-- snap_by_lots_and_temperature   How do snap times run, by pair of lots and temperature? One row a pair and 5 degrees.
-- reads           snap_tests
-- columns         from_degc DOUBLE, of 5 degrees, of the material where it was taken, else of the room, NULL untold;
--                 tests BIGINT; median, least, most DOUBLE, minutes as taken; adjusted DOUBLE, median at the
--                 reference temperature; out BIGINT, out of limits
SELECT base_lot, curing_agent_lot, floor(coalesce(material_degc, temp_degc) / 5) * 5 AS from_degc,
       count(*) AS tests, median(minutes) AS median, min(minutes) AS least, max(minutes) AS most,
       median(adjusted_min) AS adjusted, count(*) FILTER (NOT in_limits) AS out
FROM snap_tests
WHERE superseded_by IS NULL AND valid
GROUP BY ALL
ORDER BY base_lot, curing_agent_lot, from_degc;
