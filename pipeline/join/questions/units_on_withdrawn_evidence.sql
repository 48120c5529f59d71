-- units_on_withdrawn_evidence   Which units were glazed on evidence that was later withdrawn? One row a unit and test.
-- reads           units, smear_tests, snap_tests, ratio_checks, logbook
-- columns         test, tested_at, test_id of the record that was the last of its kind when glazing began;
--                 withdrawn_at, withdrawn_by, why, of the correction that came after that
-- why             A correction that came before the unit was begun hides nothing: the unit stood on what was known.
WITH tests AS (
    SELECT site, pump, 'smear by eye' AS test, time, id, superseded_by FROM smear_tests
    WHERE seen_by = 'eye' AND verdict = 'pass' AND corrects IS NULL
    UNION ALL
    SELECT site, pump, 'snap time', time, id, superseded_by FROM snap_tests WHERE corrects IS NULL
    UNION ALL
    SELECT site, pump, 'ratio check', time, id, superseded_by FROM ratio_checks WHERE corrects IS NULL),
stood_on AS (
    SELECT u.site, u.pump, u.unit, u.started, t.test, t.time AS tested_at, t.id AS test_id, t.superseded_by
    FROM units u JOIN tests t ON t.site = u.site AND t.pump = u.pump AND t.time <= u.started
    QUALIFY row_number() OVER (PARTITION BY u.site, u.pump, u.unit, u.started, t.test ORDER BY t.time DESC, t.id DESC) = 1)
SELECT s.site, s.pump, s.unit, s.started, s.test, s.tested_at, s.test_id,
       c.time AS withdrawn_at, c.person AS withdrawn_by, c.text AS why
FROM stood_on s JOIN logbook c ON c.ref = s.superseded_by AND c.time > s.started
ORDER BY s.started, s.unit, s.test;
