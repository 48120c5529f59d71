-- smear_shades    The shade of each smear photographed on the sheet, with what was on the pump. One row a photograph.
-- keys            sha256, site, pump
-- reads           history.smear_scores, lots                    read by  beadbook shade
-- columns         time TIMESTAMPTZ, UTC; l, a, b DOUBLE, CIE L*a*b* of the film's median, the sheet's paper as white;
--                 shade_delta_e DOUBLE, CIEDE2000 to the material's own, NULL where none is set;
--                 base_lot, curing_agent_lot VARCHAR, by the changeover in force, NULL where none was written down
-- why             A slow shift in shade is a shift in ratio, and a step at a changeover is the new lot's own colour.
CREATE VIEW smear_shades AS
SELECT s.site, s.pump, s.day, s."at" AS time, s.verdict, s.shade_l AS l, s.shade_a AS a, s.shade_b AS b,
       s.shade_delta_e, base.lot AS base_lot, agent.lot AS curing_agent_lot, s.sheet, s.sha256
FROM history.smear_scores s
ASOF LEFT JOIN (SELECT * FROM lots WHERE part = 'base') base
    ON s.site = base.site AND s.pump = base.pump AND s."at" >= base.since
ASOF LEFT JOIN (SELECT * FROM lots WHERE part = 'curing_agent') agent
    ON s.site = agent.site AND s.pump = agent.pump AND s."at" >= agent.since
WHERE s.shade_l IS NOT NULL AND s.verdict <> 'retake';
