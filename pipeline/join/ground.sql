-- ground          What the public views stand on: macros, and the records unpacked. Not a contract.
-- reads           history.* (the tables as they are on disk), days, superseded (open.py)

CREATE MACRO psi(x) AS x / 6894.757293168361;
CREATE MACRO bar(x) AS x / 100000.0;
CREATE MACRO us(a, b) AS epoch_us(b) - epoch_us(a);
CREATE MACRO minutes(a, b) AS (epoch_us(b) - epoch_us(a)) / 60e6;

-- Every plain record, as written and as corrected. A record that a correction brings stands under its own id,
-- with the id it takes the place of in `corrects`. at and by are words of DuckDB's own: time, person for short.
CREATE VIEW history.said AS
WITH written AS (
    SELECT id, site, pump, "at", "by", kind, note, body::JSON AS body, NULL AS corrects, id AS said_by
    FROM history.records
    WHERE kind <> 'correction'
    UNION ALL
    SELECT body -> 'corrected' ->> 'id', body -> 'corrected' ->> 'site', body -> 'corrected' ->> 'pump',
           (body -> 'corrected' ->> 'at')::TIMESTAMPTZ, body -> 'corrected' ->> 'by',
           body -> 'corrected' ->> 'kind', coalesce(body -> 'corrected' ->> 'note', ''),
           body -> 'corrected', body ->> 'supersedes', id
    FROM (SELECT id, body::JSON AS body FROM history.records WHERE kind = 'correction')
    WHERE json_type(body -> 'corrected') = 'OBJECT')
SELECT written.* EXCLUDE (said_by, "at", "by"), written."at" AS time, written."by" AS person, days.day,
       superseded."by" AS superseded_by
FROM written
ASOF LEFT JOIN days ON written.site = days.site AND written."at" >= days.start
LEFT JOIN superseded ON superseded.id = written.said_by;
