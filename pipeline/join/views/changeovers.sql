-- changeovers     What was replaced: base drums, curing-agent pails, static mixers. One row a record.
-- reads           history.said                    read by  shift_summary.sql, the summary
-- columns         part 'base' | 'curing_agent' | 'mixer'; new_lot, old_lot VARCHAR; expires TIMESTAMPTZ;
--                 reason VARCHAR, of a mixer change; corrects, superseded_by VARCHAR, ids
CREATE VIEW changeovers AS
SELECT id, site, pump, day, time, person,
       CASE kind WHEN 'mixer_change' THEN 'mixer' ELSE body ->> 'part' END AS part,
       body ->> 'new_lot' AS new_lot, body ->> 'old_lot' AS old_lot,
       (body ->> 'expires')::TIMESTAMPTZ AS expires, body ->> 'reason' AS reason,
       note, corrects, superseded_by
FROM history.said
WHERE kind IN ('changeover', 'mixer_change');
