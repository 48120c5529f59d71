-- unit_coverage   What each unit rests on. One row a unit glazed.
-- keys            site, pump, unit, started
-- reads           history.unit_coverage           read by  shift_summary.sql, the summary
-- columns         started, finished TIMESTAMPTZ, UTC; covered BOOLEAN, made wholly under release by the rules;
--                 suspect BOOLEAN, in doubt by what came to light since, and not cleared; smear_sha256, smear_at:
--                 the test it rests on; next_smear_at, next_smear_passed: the first verdict after it; snap_id;
--                 ratio_at: last ratio in tolerance before it; mixer_at: when the mixer was new; base_lot,
--                 curing_agent_lot; balance_pa DOUBLE, pascal, worst balance event meanwhile, NULL if none;
--                 photos VARCHAR[], digests, from the smear it rests on to the next; move_at TIMESTAMPTZ, earliest
--                 time to move it by the site's rule; reasons VARCHAR[], why it is not covered or suspect;
--                 cleared VARCHAR, by whom and why
CREATE VIEW unit_coverage AS
SELECT site, pump, day, unit, started, finished, covered, suspect, smear_sha256, smear_at, snap_id, mixer_at,
       base_lot, curing_agent_lot, reasons, next_smear_at, next_smear_passed, ratio_at, balance_pa, photos, move_at,
       cleared
FROM history.unit_coverage;
