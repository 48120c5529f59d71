-- shift_summary   What each shift amounts to. One row a site, pump and shift of which anything is known.
-- reads           nearly all other views, shifts, shift_days, site_limits, pump_limits, pump_until
-- read by         the summary
-- columns         day DATE, local date on which the shift starts; shift BIGINT; start, "end" TIMESTAMPTZ, UTC;
--                 verdict 'release' | 'hold' at the shift's end, or at the last known moment before it;
--                 reasons VARCHAR[] of that verdict; hold_rules VARCHAR[], rules that held at any time of the shift;
--                 *_min DOUBLE, minutes; *_l DOUBLE, litres; *_share DOUBLE, 0 to 1; peak_balance_pa DOUBLE, pascal
-- why             States and holds are cut at the shift's ends, and added up in whole microseconds, so that the
--                 same history gives the same figure to the last digit. Whatever else has a length counts in the
--                 shift in which it starts, so that sums over shifts count nothing twice. The large tables meet
--                 the shifts by production day (shift_days) first: a year by shift must not sort every stroke.
CREATE VIEW shift_summary AS
WITH windows AS (SELECT shifts.*, pump_until.pump, pump_until.until FROM shifts JOIN pump_until USING (site)),
states AS (
    SELECT s.site, s.pump, w.day, w.shift,
           sum(us(greatest(s.start, w.start), least(s."end", w."end"))) FILTER (type = 'dispensing') / 60e6 AS run_min,
           sum(us(greatest(s.start, w.start), least(s."end", w."end"))) FILTER (type <> 'no_data') / 60e6 AS known_min
    FROM history.pump_states s JOIN shift_days w ON s.site = w.site AND s.day = w.made_on
    WHERE s.start < w."end" AND s."end" > w.start GROUP BY ALL),
release_pieces AS (
    SELECT w.site, w.pump, w.day, w.shift, r.state, r.rules,
           us(r.start, least(coalesce(r."end", w.until), w.until, w."end")) AS us
    FROM release_spans r ASOF JOIN windows w ON r.site = w.site AND r.pump = w.pump AND r.start >= w.start
    WHERE r.start < w."end"
    UNION ALL
    SELECT w.site, w.pump, w.day, w.shift, r.state, r.rules,
           us(w.start, least(coalesce(r."end", w.until), w.until, w."end"))
    FROM windows w ASOF JOIN release_spans r ON r.site = w.site AND r.pump = w.pump AND r.start < w.start
    WHERE coalesce(r."end", w.until) > w.start),
holds AS (
    SELECT site, pump, day, shift, sum(greatest(us, 0)) / 60e6 AS hold_min,
           list_sort(list_distinct(flatten(list(rules)))) AS hold_rules
    FROM release_pieces WHERE state = 'hold' GROUP BY ALL),
verdicts AS (
    SELECT w.site, w.pump, w.day, w.shift, r.state, r.reasons
    FROM windows w ASOF JOIN release_spans r ON r.site = w.site AND r.pump = w.pump AND r.start < w."end"),
strokes_of AS (
    SELECT s.site, s.pump, w.day, w.shift,
           count(*) FILTER (part = 'base') AS base_strokes, count(*) FILTER (part = 'catalyst') AS catalyst_strokes,
           count(*) FILTER (part = 'catalyst' AND abs(balance_pa) <= l.balance_caution_pa)
               / nullif(count(balance_pa) FILTER (part = 'catalyst'), 0) AS balance_in_limits_share
    FROM history.strokes s JOIN shift_days w ON s.site = w.site AND s.day = w.made_on CROSS JOIN site_limits l
    WHERE s.start >= w.start AND s.start < w."end" GROUP BY ALL),
-- All else, as dated things: which kind, whether it is to be counted, a measure.
happened AS (
    SELECT site, pump, start AS time, type AS kind, peak_pa AS measure FROM balance_events
    UNION ALL SELECT site, pump, start, 'stop', NULL FROM idle_spans
    UNION ALL SELECT site, pump, start, 'unpurged_stop', NULL FROM idle_spans WHERE NOT purged
    UNION ALL SELECT site, pump, time, 'smear_' || verdict, NULL FROM smear_tests WHERE seen_by = 'camera'
    UNION ALL SELECT site, pump, time, 'smear_call', NULL FROM smear_tests
              WHERE seen_by = 'eye' AND superseded_by IS NULL
    UNION ALL SELECT site, pump, time, 'snap', NULL FROM snap_tests WHERE superseded_by IS NULL
    UNION ALL SELECT site, pump, time, 'snap_out', NULL FROM snap_tests WHERE superseded_by IS NULL AND NOT in_limits
    UNION ALL SELECT site, pump, time, 'ratio', NULL FROM ratio_checks WHERE superseded_by IS NULL
    UNION ALL SELECT site, pump, time, 'ratio_out', NULL FROM ratio_checks
              WHERE superseded_by IS NULL AND NOT in_tolerance
    UNION ALL SELECT site, pump, time, 'bead', NULL FROM bead_readings WHERE superseded_by IS NULL
    UNION ALL SELECT site, pump, time, if(part = 'mixer', 'mixer_change', 'changeover'), NULL FROM changeovers
              WHERE superseded_by IS NULL
    UNION ALL SELECT site, pump, time, 'contact_loss', NULL FROM history.said
              WHERE kind = 'contact_loss' AND superseded_by IS NULL
    UNION ALL SELECT site, pump, time, 'capture_gap', NULL FROM history.said
              WHERE kind = 'capture_gap' AND superseded_by IS NULL
    UNION ALL SELECT site, pump, started, 'unit', NULL FROM unit_coverage
    UNION ALL SELECT site, pump, started, 'unit_covered', NULL FROM unit_coverage WHERE covered AND NOT suspect
    UNION ALL SELECT site, pump, started, 'unit_suspect', NULL FROM unit_coverage WHERE suspect
    UNION ALL SELECT site, pump, start, 'fault', NULL FROM sensor_quality
    UNION ALL SELECT site, pump, start, 'clogging', rise FROM history.clogging_spans
    UNION ALL SELECT site, pump, time, 'any', NULL FROM history.said),
counts AS (
    SELECT w.site, w.pump, w.day, w.shift,
           count(*) FILTER (kind = 'caution') AS balance_cautions,
           count(*) FILTER (kind = 'out_of_balance') AS out_of_balance_events,
           max(measure) FILTER (kind IN ('caution', 'out_of_balance')) AS peak_balance_pa,
           count(*) FILTER (kind = 'stop') AS stops, count(*) FILTER (kind = 'unpurged_stop') AS unpurged_stops,
           count(*) FILTER (kind IN ('smear_pass', 'smear_fail', 'smear_retake')) AS smear_tests,
           count(*) FILTER (kind = 'smear_pass') AS smear_passed, count(*) FILTER (kind = 'smear_fail') AS smear_failed,
           count(*) FILTER (kind = 'smear_retake') AS smear_retakes,
           count(*) FILTER (kind = 'smear_call') AS smear_calls,
           count(*) FILTER (kind = 'snap') AS snap_tests, count(*) FILTER (kind = 'snap_out') AS snap_out_of_limits,
           count(*) FILTER (kind = 'ratio') AS ratio_checks, count(*) FILTER (kind = 'ratio_out') AS ratio_out,
           count(*) FILTER (kind = 'bead') AS bead_readings,
           count(*) FILTER (kind = 'changeover') AS changeovers,
           count(*) FILTER (kind = 'mixer_change') AS mixer_changes,
           count(*) FILTER (kind = 'unit') AS units_made, count(*) FILTER (kind = 'unit_covered') AS units_covered,
           count(*) FILTER (kind = 'unit_suspect') AS units_suspect,
           count(*) FILTER (kind = 'fault') AS sensor_faults,
           count(*) FILTER (kind = 'contact_loss') AS contact_losses,
           count(*) FILTER (kind = 'capture_gap') AS capture_gaps,
           max(measure) FILTER (kind = 'clogging') AS clogging_rise_share
    FROM happened h ASOF JOIN windows w ON h.site = w.site AND h.pump = w.pump AND h.time >= w.start
    WHERE h.time < w."end" GROUP BY ALL),
refused AS (
    SELECT w.site, w.day, w.shift, count(*) AS rejected_messages
    FROM history.rejected r ASOF JOIN shifts w ON r.site = w.site AND r.landed_at >= w.start
    WHERE r.landed_at < w."end" GROUP BY ALL)
SELECT w.site, w.pump, w.day, w.shift, w.name, w.start, w."end", w.until < w."end" AS still_running,
       coalesce(v.state, 'hold') AS verdict, coalesce(v.reasons, []) AS reasons,
       coalesce(h.hold_rules, []) AS hold_rules, coalesce(h.hold_min, 0) AS hold_min,
       coalesce(s.run_min, 0) AS run_min,
       coalesce(k.base_strokes, 0) AS base_strokes, coalesce(k.catalyst_strokes, 0) AS catalyst_strokes,
       k.base_strokes * p.base_stroke_ml / 1000 AS base_l,
       k.catalyst_strokes * p.curing_agent_stroke_ml / 1000 AS curing_agent_l,
       k.balance_in_limits_share,
       coalesce(s.known_min, 0) / minutes(w.start, w."end") AS completeness_share,
       coalesce(r.rejected_messages, 0) AS rejected_messages,
       c.* EXCLUDE (site, pump, day, shift, peak_balance_pa, clogging_rise_share)
           REPLACE (coalesce(c.units_made, 0) AS units_made),
       c.peak_balance_pa, c.clogging_rise_share
FROM windows w
LEFT JOIN states s USING (site, pump, day, shift)
LEFT JOIN holds h USING (site, pump, day, shift)
LEFT JOIN verdicts v USING (site, pump, day, shift)
LEFT JOIN strokes_of k USING (site, pump, day, shift)
LEFT JOIN counts c USING (site, pump, day, shift)
LEFT JOIN refused r USING (site, day, shift)
LEFT JOIN pump_limits p USING (site, pump)
WHERE coalesce(s.known_min, 0) > 0 OR c.site IS NOT NULL;
