-- unit_coverage   What each unit rests on. One row a unit glazed.
-- reads           history.unit_coverage           read by  shift_summary.sql, the summary
-- columns         started, finished TIMESTAMPTZ, UTC; covered BOOLEAN, made wholly under release by the rules;
--                 suspect BOOLEAN, a test that failed later reaches back to it; smear_sha256, smear_at: the
--                 test it rests on; snap_id; mixer_at: when the mixer was new; base_lot, curing_agent_lot;
--                 reasons VARCHAR[], why it is not covered or suspect
CREATE VIEW unit_coverage AS
SELECT site, pump, day, unit, started, finished, covered, suspect, smear_sha256, smear_at, snap_id, mixer_at,
       base_lot, curing_agent_lot, reasons
FROM history.unit_coverage;
