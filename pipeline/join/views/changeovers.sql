-- changeovers     What was replaced: base drums, curing-agent pails, static mixers. One row a record.
-- reads           history.said                    read by  shift_summary.sql, the summary
-- columns         part 'base' | 'curing_agent' | 'mixer'; new_lot, old_lot VARCHAR; expires TIMESTAMPTZ;
--                 stored_min_degc, stored_max_degc DOUBLE, of the store;
--                 reason VARCHAR, of a mixer change; corrects, superseded_by VARCHAR, ids
CREATE VIEW changeovers AS
SELECT id, site, pump, day, time, person,
       CASE kind WHEN 'mixer_change' THEN 'mixer' ELSE body ->> 'part' END AS part,
       body ->> 'new_lot' AS new_lot, body ->> 'old_lot' AS old_lot,
       (body ->> 'expires')::TIMESTAMPTZ AS expires,
       (body ->> 'stored_min_degc')::DOUBLE AS stored_min_degc, (body ->> 'stored_max_degc')::DOUBLE AS stored_max_degc,
       body ->> 'reason' AS reason,
       note, corrects, superseded_by
FROM history.said
WHERE kind IN ('changeover', 'mixer_change');
