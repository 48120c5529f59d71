-- smear_tests     Verdicts on smear samples. One row a photograph judged, and one a call by eye.
-- reads           history.smear_scores, history.said   read by  shift_summary.sql, the summary
-- columns         time TIMESTAMPTZ, UTC; seen_by 'camera' | 'eye'; verdict 'pass' | 'fail' | 'retake'
--                 score .. px_per_mm as in `score --json`, NULL by eye; sha256 the photograph, or the one called
--                 shade_l, shade_a, shade_b CIE L*a*b*, the paper white, on the printed sheet
--                 delta_e_p99 .. largest_speck_mm as in `score --json`, NULL by eye
--                 id, corrects, superseded_by VARCHAR, of the record of a call by eye
-- why             Both stay side by side: a fail of either kind fails the sample, whatever the other says.
CREATE VIEW smear_tests AS
SELECT site, pump, day, "at" AS time, "by" AS person, 'camera' AS seen_by, verdict, score, cov, segregation, striation_mm, delta_e_p95,
       shade_delta_e, reasons, calibrated, px_per_mm, sha256, sheet, '' AS note,
       NULL::VARCHAR AS id, NULL::VARCHAR AS corrects, NULL::VARCHAR AS superseded_by,
       shade_l, shade_a, shade_b, delta_e_p99, delta_e_zones, cov_low, cov_high, certainty, wings_likeness,
       streaks, longest_streak_mm, specks, largest_speck_mm
FROM history.smear_scores
UNION ALL
SELECT site, pump, day, time, person, 'eye', body ->> 'call', NULL, NULL, NULL, NULL, NULL,
       NULL, []::VARCHAR[], NULL, NULL, body ->> 'photo', body ->> 'sheet', note,
       id, corrects, superseded_by,
       NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL,
       NULL, NULL, NULL, NULL
FROM history.said
WHERE kind = 'smear_call';
