-- bead_surveys    A cured bead read along its length. One row a bead at one age.
-- keys            site, pump, bead, made, time
-- reads           history.bead_surveys            read by  the summary
-- columns         made TIMESTAMPTZ, UTC, of the bead, as its readings' ages tell: with its name it is the bead;
--                 time TIMESTAMPTZ, UTC, of the first mark read; age_h DOUBLE; due_h 24 or 72, NULL if too young;
--                 marks BIGINT; norm, lowest, highest DOUBLE, Shore A, of the marks' medians;
--                 soft VARCHAR[], marks 5 or more below the norm; apart VARCHAR[], at 72 h, 5 or more from it;
--                 passed BOOLEAN, NULL where nothing is judged; why VARCHAR; ids VARCHAR[], of the readings
CREATE VIEW bead_surveys AS
SELECT site, pump, day, "at" AS time, "by" AS person, bead, made, age_h, due_h, marks, norm, lowest, highest,
       soft, apart, passed, why, ids
FROM history.bead_surveys;
