-- bead_dues       Hardness readings that a cured bead asks for. One row a bead and age, 24 h and 72 h.
-- keys            site, pump, bead, due_h
-- reads           history.said, bead_surveys      read by  the summary
-- columns         made TIMESTAMPTZ, UTC, as recorded, else told by its first survey's age; due TIMESTAMPTZ;
--                 known TIMESTAMPTZ, when the bead was first heard of;
--                 read TIMESTAMPTZ, the first survey that counts for it (from 12 h, from 48 h), NULL while none does
CREATE VIEW bead_dues AS
WITH beads AS (
    SELECT site, pump, body ->> 'bead' AS bead, time AS made, time AS known, true AS recorded FROM history.said
    WHERE kind = 'bead_made' AND superseded_by IS NULL
    UNION ALL
    SELECT site, pump, bead, time - to_microseconds((age_h * 3600e6)::BIGINT), time, false FROM bead_surveys),
made AS (
    SELECT site, pump, bead, coalesce(min(made) FILTER (recorded), min(made)) AS made, min(known) AS known
    FROM beads GROUP BY ALL)
SELECT m.site, m.pump, m.bead, d.due_h, m.made, m.known, m.made + to_hours(d.due_h) AS due, min(s.time) AS read
FROM made m CROSS JOIN (VALUES (24, 12, 48), (72, 48, 1e9)) d(due_h, from_h, to_h)
LEFT JOIN bead_surveys s ON s.site = m.site AND s.pump = m.pump AND s.bead = m.bead
    AND s.age_h >= d.from_h AND s.age_h < d.to_h
GROUP BY ALL;
