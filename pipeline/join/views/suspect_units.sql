-- suspect_units   Units that can no longer stand on their tests, and why. One row a unit and reason.
-- keys            site, pump, unit, started, ref
-- reads           history.suspect_units           read by  beadbook suspect
-- columns         started, finished TIMESTAMPTZ, UTC; test 'smear' | 'snap time' | 'ratio' | 'bead'; since: the last
--                 good evidence, NULL if there never was any; found: when it came to light; reason VARCHAR;
--                 ref: the record's id or photograph's digest; clear_by VARCHAR, what would tell that it is sound;
--                 cleared VARCHAR, by whom and why, NULL while it is open
-- why             Cleared ones stay: what was in doubt once is told for ever.
CREATE VIEW suspect_units AS
SELECT site, pump, day, unit, started, finished, test, since, found, reason, ref, clear_by, cleared
FROM history.suspect_units;
