-- smear_agreement Samples that both an eye and the camera have judged. One row a call by eye.
-- keys            id, of the record of the call
-- reads           smear_tests, site_limits                read by  beadbook limits
-- columns         eye 'pass' | 'fail'; camera 'pass' | 'fail' | 'retake'; cov DOUBLE [1], the camera's;
--                 time TIMESTAMPTZ, UTC, of the photograph; sha256 its digest; told_by how the two were joined
-- why             A call names its photograph or its sheet where the operator said so; else the photograph
--                 nearest in time counts, as far as two verdicts are of one sample by the site's settings. A
--                 retake counts only where no other photograph was judged. Corrected calls do not count.
CREATE VIEW smear_agreement AS
WITH calls AS (SELECT * FROM smear_tests WHERE seen_by = 'eye' AND superseded_by IS NULL),
photos AS (SELECT * FROM smear_tests WHERE seen_by = 'camera'),
pairs AS (
    SELECT c.id, c.site, c.pump, c.day, p.time, c.person, c.verdict AS eye, p.verdict AS camera, p.cov, p.sha256,
           coalesce(c.sheet, p.sheet) AS sheet, c.note,
           CASE WHEN c.sha256 = p.sha256 THEN 'photo' WHEN c.sheet = p.sheet THEN 'sheet' ELSE 'time' END AS told_by,
           abs(us(c.time, p.time)) AS apart_us
    FROM calls c JOIN photos p ON c.site = p.site AND c.pump = p.pump CROSS JOIN site_limits l
    WHERE c.sha256 = p.sha256
       OR (c.sha256 IS NULL AND c.sheet = p.sheet AND c.day = p.day)
       OR (c.sha256 IS NULL AND (c.sheet IS NULL OR p.sheet IS NULL)
           AND abs(us(c.time, p.time)) <= l.same_sample_us))
SELECT * EXCLUDE (apart_us) FROM pairs
QUALIFY row_number() OVER (
    PARTITION BY id ORDER BY camera = 'retake', told_by = 'time', apart_us, sha256) = 1;
