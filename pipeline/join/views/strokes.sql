-- strokes         Travels of the pumps while dispensing. One row a stroke of a part.
-- reads           history.strokes                 read by  shift_summary.sql
-- columns         part 'base' | 'catalyst'; no BIGINT counts through the production day; start, "end" TIMESTAMPTZ;
--                 base_pa, catalyst_1_pa, catalyst_2_pa DOUBLE, pascal, means over the stroke;
--                 balance_pa = catalyst_1 less catalyst_2; direction TINYINT, 0 and 1 in turn
CREATE VIEW strokes AS
SELECT site, pump, day, part, no, start, "end", base_pa, catalyst_1_pa, catalyst_2_pa, balance_pa, direction
FROM history.strokes;
