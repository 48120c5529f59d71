-- gauge_samples   What the gauges read. One row a pump and moment.
-- reads           history.gauge_samples           read by  the summary's timeline
-- columns         time TIMESTAMPTZ, UTC; *_pa DOUBLE, pascal; ambient_temp_degc; ambient_rh_pct; NULL: no reading
--                 day DATE is the UTC date of `time`: naming it in WHERE reads that day's files alone
CREATE VIEW gauge_samples AS
SELECT site, pump, day, "at" AS time, base_pa, catalyst_1_pa, catalyst_2_pa, air_pa, ambient_temp_degc, ambient_rh_pct
FROM history.gauge_samples;
