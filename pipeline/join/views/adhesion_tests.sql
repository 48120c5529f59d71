-- adhesion_tests  Peel and tensile coupons pulled. One row a record, superseded ones included and marked.
-- keys            id
-- reads           history.said, history.coupon_results           read by  the summary
-- columns         specimen; method 'peel' | 'tensile'; cohesive_pct, substrate_pct, adhesive_pct DOUBLE, shares of
--                 the failed face; mode, the one that takes more than half, else 'mixed'; strength_pa DOUBLE, pascal;
--                 peel_n_per_m DOUBLE; called 'pass' | 'fail' by the person; passed BOOLEAN, by person and minimums
--                 both; why VARCHAR[]; corrects, superseded_by VARCHAR, ids
CREATE VIEW adhesion_tests AS
SELECT s.id, s.site, s.pump, s.day, s.time, s.person, body ->> 'specimen' AS specimen, body ->> 'method' AS method,
       (body ->> 'cohesive_pct')::DOUBLE AS cohesive_pct,
       coalesce((body ->> 'substrate_pct')::DOUBLE, 0) AS substrate_pct,
       100 - (body ->> 'cohesive_pct')::DOUBLE - coalesce((body ->> 'substrate_pct')::DOUBLE, 0) AS adhesive_pct,
       c.mode, (body ->> 'strength_pa')::DOUBLE AS strength_pa, (body ->> 'peel_n_per_m')::DOUBLE AS peel_n_per_m,
       body ->> 'result' AS called,
       CASE WHEN c.id IS NULL THEN body ->> 'result' = 'pass' ELSE c.passed END AS passed,
       coalesce(c.why, []) AS why, s.note, s.corrects, s.superseded_by
FROM history.said s
LEFT JOIN history.coupon_results c ON c.id = s.id AND c.site = s.site AND c.pump = s.pump AND s.superseded_by IS NULL
WHERE kind = 'adhesion';
