-- logbook         Everything written down or judged, in order. One row a record, correction or photograph judged.
-- reads           history.records, superseded, history.smear_scores     read by  the logbook
-- columns         time TIMESTAMPTZ, UTC, when it was so; landed_at TIMESTAMPTZ, when it came in, NULL where not kept;
--                 what: the record's kind, or 'smear_score'; ref: the record's id or the photograph's digest;
--                 text VARCHAR, what it says; superseded_by VARCHAR, id of the correction that took its place
-- why             Nothing is left out: a corrected record stands beside what corrects it.
CREATE VIEW logbook AS
WITH entries AS (
    SELECT site, pump, "at", landed_at, "by", kind AS what, id AS ref, body::JSON AS body, note FROM history.records)
SELECT entries.site, entries.pump, days.day, "at" AS time, landed_at, entries."by" AS person, what, ref,
       CASE what
           WHEN 'smear_call' THEN 'by eye: ' || (body ->> 'call')
           WHEN 'snap_time' THEN printf('%g', (body ->> 'minutes')::DOUBLE) || ' min'
           WHEN 'ratio_check' THEN json_array_length(body -> 'catches') || ' catches weighed'
           WHEN 'bead_reading' THEN 'bead ' || (body ->> 'bead') || ', mark ' || (body ->> 'mark') || ': Shore A '
               || array_to_string([printf('%g', r) FOR r IN from_json(body -> 'shore_a', '["DOUBLE"]')], ', ')
               || printf(' at %g h', (body ->> 'age_h')::DOUBLE)
           WHEN 'bead_made' THEN 'bead ' || (body ->> 'bead')
           WHEN 'adhesion' THEN (body ->> 'specimen') || ', ' || (body ->> 'method') || ': ' || (body ->> 'result')
               || printf(', %g %% cohesive', (body ->> 'cohesive_pct')::DOUBLE)
           WHEN 'changeover' THEN CASE body ->> 'part' WHEN 'base' THEN 'base drum' ELSE 'curing-agent pail' END
               || ', lot ' || (body ->> 'new_lot') || coalesce(' after ' || (body ->> 'old_lot'), '')
           WHEN 'mixer_change' THEN coalesce(body ->> 'reason', '')
           WHEN 'purge' THEN CASE body ->> 'ran_white' WHEN 'false' THEN 'did not run white' ELSE 'ran white' END
           WHEN 'adjustment' THEN (body ->> 'of') || ': ' || (body ->> 'did')
           WHEN 'service' THEN body ->> 'did'
           WHEN 'unit_started' THEN body ->> 'unit'
           WHEN 'unit_finished' THEN body ->> 'unit'
           WHEN 'unit_cleared' THEN (body ->> 'unit') || ': ' || (body ->> 'reason') || ', on ' || (body ->> 'evidence')
           WHEN 'release_override' THEN (body ->> 'state') || ' until ' || (body ->> 'until') || ': ' || (body ->> 'reason')
           WHEN 'contact_loss' THEN (body ->> 'edge') || ' back at ' || (body ->> 'back_at') || ', '
               || (body ->> 'held') || ' messages held'
           WHEN 'capture_gap' THEN (body ->> 'edge') || ' until ' || (body ->> 'until') || ': readings '
               || CASE body ->> 'cause' WHEN 'thinned' THEN 'thinned to one a second, for want of disk'
                  WHEN 'not_kept' THEN 'not kept, for want of disk' ELSE 'lost with a damaged outbox' END
           WHEN 'clock_state' THEN (body ->> 'edge') || CASE body ->> 'synchronised' WHEN 'true' THEN ': clock synchronised'
                  WHEN 'false' THEN ': clock not synchronised' ELSE ': clock unknown' END
           WHEN 'correction' THEN CASE WHEN json_type(body -> 'corrected') = 'OBJECT' THEN 'replaces ' ELSE 'withdraws ' END
               || (body ->> 'supersedes') || ': ' || (body ->> 'reason')
           ELSE '' END
       || CASE WHEN note <> '' THEN ' (' || note || ')' ELSE '' END AS text,
       superseded."by" AS superseded_by
FROM entries
ASOF LEFT JOIN days ON entries.site = days.site AND entries."at" >= days.start
LEFT JOIN superseded ON superseded.id = entries.ref
UNION ALL
SELECT site, pump, day, "at", NULL, "by", 'smear_score', sha256,
       verdict || CASE WHEN len(reasons) > 0 THEN ': ' || array_to_string(list_transform(reasons, lambda r: rtrim(r, '.')), '; ') ELSE '' END, NULL
FROM history.smear_scores;
