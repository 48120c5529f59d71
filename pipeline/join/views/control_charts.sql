-- control_charts  Individuals, moving range and EWMA of what is tracked. One row a point.
-- keys            site, pump, measure, time, ref
-- reads           history.chart_points            read by  the summary
-- columns         measure 'snap_time' (minutes as taken) | 'snap_time_adjusted' (at the reference temperature) |
--                 'shade' (CIEDE2000 to the material's own) | 'lightness' (CIE L* on the sheet) | 'cov' |
--                 'balance' (pascal, mean of a production day) | 'hardness' (Shore A, a bead's norm at 24 h); ref: id of the record, digest of the photograph, or the production day;
--                 baseline VARCHAR, its name, and baseline_points: whose points alone set centre, lower, upper,
--                 range_upper; ewma with ewma_lower, ewma_upper; signals VARCHAR[], rules that the point breaks
-- why             Limits never move by what comes later; a new baseline is named in the settings.
CREATE VIEW control_charts AS
SELECT site, pump, day, "at" AS time, measure, ref, value, baseline, baseline_points, centre, lower, upper,
       moving_range, range_upper, ewma, ewma_lower, ewma_upper, signals
FROM history.chart_points;
