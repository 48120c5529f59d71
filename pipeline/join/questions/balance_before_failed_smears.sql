-- balance_before_failed_smears   How was the balance in the hour before each failed smear? One row a failed sample.
-- reads           smear_tests, strokes
-- columns         time, person, seen_by of the smear; strokes BIGINT, catalyst strokes in that hour; mean_psi, signed,
--                 catalyst 1 less catalyst 2; worst_psi, furthest apart; beyond_share, of strokes over 200 psi
SELECT t.site, t.pump, t.time, t.person, t.seen_by, count(s.balance_pa) AS strokes,
       psi(avg(s.balance_pa)) AS mean_psi, psi(max(abs(s.balance_pa))) AS worst_psi,
       count(*) FILTER (psi(abs(s.balance_pa)) > 200) / nullif(count(s.balance_pa), 0) AS beyond_share
FROM smear_tests t
LEFT JOIN strokes s ON s.site = t.site AND s.pump = t.pump AND s.part = 'catalyst'
    AND s.day BETWEEN t.day - 1 AND t.day AND s."end" <= t.time AND s."end" > t.time - INTERVAL 1 HOUR
WHERE t.verdict = 'fail' AND t.superseded_by IS NULL
GROUP BY ALL
ORDER BY t.time, t.site, t.pump, t.seen_by;
