-- bead_dues       Hardness readings that a cured bead asks for. One row a bead and age, 24 h and 72 h.
-- keys            site, pump, bead, made, due_h
-- reads           history.said, bead_surveys      read by  the summary
-- columns         made TIMESTAMPTZ, UTC, as recorded, else told by its first survey's age; due TIMESTAMPTZ;
--                 known TIMESTAMPTZ, when the bead was first heard of;
--                 read TIMESTAMPTZ, the first survey that counts for it (from 12 h, from 48 h), NULL while none does
-- why             A name used again after 12 h is another bead, else its first reading would stand for all.
CREATE VIEW bead_dues AS
WITH told AS (
    SELECT site, pump, body ->> 'bead' AS bead, time AS made, time AS known, true AS recorded FROM history.said
    WHERE kind = 'bead_made' AND superseded_by IS NULL
    UNION ALL
    SELECT site, pump, bead, made, time, false FROM bead_surveys),
apart AS (
    SELECT *, coalesce(made - lag(made) OVER named > INTERVAL 12 HOUR, false)::INT AS another FROM told
    WINDOW named AS (PARTITION BY site, pump, bead ORDER BY made)),
numbered AS (
    SELECT *, sum(another) OVER (PARTITION BY site, pump, bead ORDER BY made) AS no FROM apart),
beads AS (
    SELECT site, pump, bead, no, coalesce(min(made) FILTER (recorded), min(made)) AS made, min(known) AS known,
           min(made) AS earliest, max(made) AS latest
    FROM numbered GROUP BY ALL)
SELECT m.site, m.pump, m.bead, d.due_h, m.made, m.known, m.made + to_hours(d.due_h) AS due, min(s.time) AS read
FROM beads m CROSS JOIN (VALUES (24, 12, 48), (72, 48, 1e9)) d(due_h, from_h, to_h)
LEFT JOIN bead_surveys s ON s.site = m.site AND s.pump = m.pump AND s.bead = m.bead
    AND s.made BETWEEN m.earliest AND m.latest AND s.age_h >= d.from_h AND s.age_h < d.to_h
GROUP BY ALL;
